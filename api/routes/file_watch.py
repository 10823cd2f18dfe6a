"""Reads the file of the store through when the server starts and on each new day (HAZ-39)."""

import logging

from api.environment import Environment
from api.routes.rounds import Rounds
from api.storage.unit_store import UnitStore
from api.use_cases.judge_file import FileVerdict, judge_file
from api.use_cases.unit_day import read_unit_zone

_LOG = logging.getLogger("crura")
# How long after midnight the new day may be noticed.
LOOK_EVERY_SECONDS = 600.0


class FileWatch:
    """Keeps the latest verdict. Belongs to one event loop.

    A look that breaks is told in the server's log and tried again at the next round.
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
        self.latest: FileVerdict | None = None

    def _look(self) -> None:
        try:
            zone = read_unit_zone(self._store, otherwise=self._environment.time_zone)
            today = self._environment.today(zone)
            if self.latest is not None and self.latest.as_of_on == today:
                return
            self.latest = judge_file(self._store, on=today, now_ms=self._environment.now_ms())
        except Exception as error:  # noqa: BLE001  nobody waits for an answer; it is tried again
            _LOG.error("%s while the file of the store was read through", type(error).__name__)
            return
        if not self.latest.is_sound:
            _LOG.error("The file of the store is damaged. See crura verify.")
