"""Checks the promise of follow-up when the server starts and on each new day, and keeps it."""

import logging

from api.environment import Environment
from api.routes.rounds import Rounds
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
        self.rounds = Rounds(self._look, every_seconds=look_every_seconds)
        self.latest: FollowUpCheck | None = None

    def check_now(self) -> FollowUpCheck:
        """Check and keep what was found."""
        self.latest = check_follow_up(self._store, on=self._today())
        return self.latest

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
