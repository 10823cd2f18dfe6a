"""Work that the server does by itself every so often, beside what it answers."""

import asyncio
from collections.abc import Callable


class Rounds:
    """Does a piece of work at the start and again after each wait. Belongs to one event loop.

    Parameters
    ----------
    work : callable
        Runs in a thread, and raises nothing: nobody waits for an answer.
    """

    def __init__(self, work: Callable[[], object], *, every_seconds: float) -> None:
        self._work = work
        self._every_seconds = every_seconds
        self._closed = asyncio.Event()
        self._run: asyncio.Task[None] | None = None

    async def start(self) -> None:
        """Begin; the first round comes at once."""
        self._run = asyncio.get_running_loop().create_task(self._go_round())

    async def close(self) -> None:
        """Let a round that runs come to its end, and start no other."""
        self._closed.set()
        if self._run is not None:
            await self._run

    async def _go_round(self) -> None:
        while not self._closed.is_set():
            await asyncio.to_thread(self._work)
            try:
                await asyncio.wait_for(self._closed.wait(), self._every_seconds)
            except TimeoutError:
                continue
