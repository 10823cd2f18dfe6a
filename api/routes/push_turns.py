"""Turns at the store: one push at a time, and small ones need not wait behind a crowd's backlog."""

import asyncio
import heapq
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

# So many operations of a waiting batch let one later push go first: a tap at the bedside passes
# all fifty tablets that come back with a day's work, and no batch is passed for ever.
OPERATIONS_A_PASS = 4


class PushTurns:
    """Hands out turns, in order of arrival and size. Belongs to one event loop."""

    def __init__(self) -> None:
        self._waiting: list[tuple[int, int, asyncio.Future[None]]] = []
        self._arrived = 0
        self._is_taken = False

    @asynccontextmanager
    async def take(self, operations: int) -> AsyncIterator[None]:
        """Wait for a turn and hold it for the length of the block.

        Parameters
        ----------
        operations : int
            How many the push holds.
        """
        await self._wait(operations)
        try:
            yield
        finally:
            self._pass_on()

    async def _wait(self, operations: int) -> None:
        self._arrived += 1
        if not self._is_taken:
            self._is_taken = True
            return
        turn = asyncio.get_running_loop().create_future()
        place = self._arrived + operations // OPERATIONS_A_PASS
        heapq.heappush(self._waiting, (place, self._arrived, turn))
        try:
            await turn
        except asyncio.CancelledError:
            # Its turn may have come in the moment the asker went away.
            if turn.done() and not turn.cancelled():
                self._pass_on()
            raise

    def _pass_on(self) -> None:
        while self._waiting:
            _, _, turn = heapq.heappop(self._waiting)
            if not turn.done():
                turn.set_result(None)
                return
        self._is_taken = False
