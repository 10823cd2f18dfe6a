"""Runs the second check of plans beside the pushes: one plan at a time, in its own turns."""

import asyncio

from api.routes.push_turns import PushTurns
from api.storage.unit_store import UnitStore
from api.use_cases.check_plans import check_one_by_one

# As large as a full batch: so many pushes that come later may still go first.
RANK_OF_A_CHECK = 1_000


class SecondCheck:
    """Rung after each push; rings during a run join it. Belongs to one event loop.

    No answer waits for it, and no push waits for more than the check of one plan. What is still
    marked when the server stops is checked by whoever asks next.
    """

    def __init__(self, store: UnitStore, turns: PushTurns) -> None:
        self._store = store
        self._turns = turns
        self._run: asyncio.Task[None] | None = None
        self._is_rung = False
        self._is_closed = False

    def ring(self) -> None:
        """Have checked what waits, if anything may."""
        if self._is_closed or not self._store.plan_checks.may_wait:
            return
        self._is_rung = True
        if self._run is None or self._run.done():
            self._run = asyncio.get_running_loop().create_task(self._check())

    async def close(self) -> None:
        """Let the check of one plan end, and start no other."""
        self._is_closed = True
        if self._run is not None:
            await self._run

    async def _check(self) -> None:
        while self._is_rung and not self._is_closed:
            self._is_rung = False
            steps = check_one_by_one(self._store)
            goes_on = True
            while goes_on and not self._is_closed:
                async with self._turns.take(RANK_OF_A_CHECK):
                    goes_on = await asyncio.to_thread(next, steps, False)
