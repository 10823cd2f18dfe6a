"""Checks the promise of follow-up when the server starts and on each new day, and keeps it."""

import asyncio
import logging

from api.environment import Environment
from api.storage.unit_store import UnitStore
from api.use_cases.check_follow_up import FollowUpCheck, check_follow_up
from api.use_cases.unit_day import read_unit_zone

_LOG = logging.getLogger("crura")
# How long after midnight the new day may be noticed.
LOOK_EVERY_SECONDS = 600.0


class FollowUpWatch:
    """Keeps what the latest check found. Belongs to one event loop.

    A check that breaks is told in the server's log without what records hold (SEC-20), and is tried
    again at the next look; the one before it stays.
    """

    def __init__(
        self,
        store: UnitStore,
        environment: Environment,
        *,
        look_every_seconds: float = LOOK_EVERY_SECONDS,
    ) -> None:
        self._store = store
        self._environment = environment
        self._look_every_seconds = look_every_seconds
        self._closed = asyncio.Event()
        self._run: asyncio.Task[None] | None = None
        self.latest: FollowUpCheck | None = None

    async def start(self) -> None:
        """Begin to look; the first check runs at once, beside what the server answers."""
        self._run = asyncio.get_running_loop().create_task(self._watch())

    async def close(self) -> None:
        """Let a check that runs come to its end, and start no other."""
        self._closed.set()
        if self._run is not None:
            await self._run

    def check_now(self) -> FollowUpCheck:
        """Check and keep what was found."""
        self.latest = check_follow_up(self._store, on=self._today())
        return self.latest

    async def _watch(self) -> None:
        while not self._closed.is_set():
            await asyncio.to_thread(self._look)
            try:
                await asyncio.wait_for(self._closed.wait(), self._look_every_seconds)
            except TimeoutError:
                continue

    def _today(self) -> str:
        zone = read_unit_zone(self._store, otherwise=self._environment.time_zone)
        return self._environment.today(zone)

    def _look(self) -> None:
        try:
            if self.latest is not None and self.latest.as_of_on == self._today():
                return
            found = self.check_now()
        except Exception as error:  # noqa: BLE001  nobody waits for an answer; it is tried again
            _LOG.error("%s in the check of follow-up", type(error).__name__)
            return
        if found.gaps:
            _LOG.warning("Gaps in follow-up: %d. See crura check-follow-up.", len(found.gaps))
