"""Writes where every log and the trail of access end to a place outside, once a day (SEC-17)."""

from pathlib import Path
from typing import Literal

from api.environment import Environment
from api.routes.daily_watch import LOOK_EVERY_SECONDS, DailyWatch
from api.storage.unit_store import UnitStore
from api.use_cases.heads_outside import WrittenHeads, write_heads_of_day

# How the heads stand: no place is set, today's or yesterday's left in time, or none did.
HeadsStanding = Literal["no-place", "out", "late"]
# A day of 25 hours when clocks go back, and until a new day is noticed.
LATE_MS = 26 * 3_600_000
_SEE_TO_IT = frozenset({"unit-admin", "data-manager", "auditor"})


class HeadsWatch(DailyWatch[WrittenHeads]):
    """Writes at the start, where none of today is there, and on each new day of the unit.

    Parameters
    ----------
    outside : Path or None
        Folder for the files; None writes none.
    """

    place = "while the heads of the day were written outside"

    def __init__(
        self,
        store: UnitStore,
        environment: Environment,
        outside: Path | None,
        *,
        look_every_seconds: float = LOOK_EVERY_SECONDS,
    ) -> None:
        super().__init__(store, environment, look_every_seconds=look_every_seconds)
        self.outside = outside
        self._has_tried = False

    def standing(self) -> HeadsStanding:
        """Say whether the heads leave in time."""
        if self.outside is None:
            return "no-place"
        if self.latest is None:
            return "late" if self._has_tried else "out"
        is_late = self._environment.now_ms() - self.latest.at_ms > LATE_MS
        return "late" if is_late else "out"

    def is_told(self, role: str) -> bool:
        """Say whether somebody of a role is told that none has left in time."""
        return role in _SEE_TO_IT and self.standing() == "late"

    def _check(self, on: str) -> WrittenHeads:
        if self.outside is None:
            raise ValueError("no place was set")
        self._has_tried = True
        at_ms = self._environment.now_ms()
        return write_heads_of_day(self._store, self.outside, on=on, at_ms=at_ms)

    def _tell(self, found: WrittenHeads) -> None:
        """Say nothing: what was written asks nobody to see to it."""
