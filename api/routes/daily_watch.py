"""A check that the server makes by itself when it starts and on each new day of the unit."""

import logging
from typing import Generic, Protocol, TypeVar

from api.environment import Environment
from api.routes.rounds import Rounds
from api.storage.unit_store import UnitStore
from api.use_cases.unit_day import read_unit_zone

LOG = logging.getLogger("crura")
# How long after midnight the new day may be noticed.
LOOK_EVERY_SECONDS = 600.0


class Dated(Protocol):
    """What a check found, with the civil date of the unit on which it looked."""

    @property
    def as_of_on(self) -> str:
        """Return the day, `YYYY-MM-DD`."""
        ...


Found = TypeVar("Found", bound=Dated)


class DailyWatch(Generic[Found]):
    """Keeps what the latest check found. Belongs to one event loop.

    A check that breaks is told in the server's log without what records hold (SEC-20), and is tried
    again at the next look; what was found before it stays.
    """

    #: Where the check broke, as the log says it: "in the check of follow-up".
    place = ""

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
        self.latest: Found | None = None

    def check_now(self) -> Found:
        """Check and keep what was found."""
        self.latest = self._check(self._today())
        return self.latest

    def _check(self, on: str) -> Found:
        raise NotImplementedError

    def _tell(self, found: Found) -> None:
        """Say in the server's log what somebody has to see to."""
        raise NotImplementedError

    def _today(self) -> str:
        zone = read_unit_zone(self._store, otherwise=self._environment.time_zone)
        return self._environment.today(zone)

    def _look(self) -> None:
        try:
            if self.latest is not None and self.latest.as_of_on == self._today():
                return
            found = self.check_now()
        except Exception as error:  # noqa: BLE001  nobody waits for an answer; it is tried again
            LOG.error("%s %s", type(error).__name__, self.place)
            return
        self._tell(found)
