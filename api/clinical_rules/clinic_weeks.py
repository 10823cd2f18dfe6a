"""The clinic week by week: what is due, late and seen, and whether the sessions are enough.

Every visit stands in exactly one week, or before, after or without one: sums equal the lists
(FW1-FW4).
"""

from collections.abc import Iterable
from datetime import date

import msgspec

from api.clinical_rules.civil_date import add_days, days_between
from api.clinical_rules.clinic_facts import SessionFacts, VisitFacts

WEEKS_AHEAD = 26
WEEKS_BACK = 26
_DAYS = 7


class Week(msgspec.Struct, frozen=True, kw_only=True):
    """One week, Monday to Sunday; all are counts of visits, but `capacity`: places in sessions.

    Parameters
    ----------
    due : int
        Open visits whose target lies in the week.
    overdue : int
        Open visits whose latest date lies in the week and has passed.
    seen, seen_within_window : int
        Visits seen in the week; those of them between earliest and latest date.
    demand : int
        Open visits by the week in which they want a place: that of their booking while it is not
        past, else that of their target, and this week where that has passed.
    booked : int
        Those of the demand that hold a booking in the week.
    """

    monday_on: str
    due: int = 0
    overdue: int = 0
    seen: int = 0
    seen_within_window: int = 0
    capacity: int = 0
    demand: int = 0
    booked: int = 0


class ClinicWeeks(msgspec.Struct, frozen=True, kw_only=True):
    """The weeks in order, and what lies before, after or has no date to tell its week by."""

    weeks: tuple[Week, ...]
    before: Week
    after: Week
    undated: Week


class _Counter:
    """Counts into the weeks of a span, and into three places around it."""

    def __init__(self, on: str) -> None:
        self._monday = add_days(on, -date.fromisoformat(on).weekday())
        self._first = add_days(self._monday, -_DAYS * WEEKS_BACK)
        self._counts: dict[str, dict[str, int]] = {
            add_days(self._first, _DAYS * place): {} for place in range(WEEKS_BACK + WEEKS_AHEAD)
        }
        self._around: dict[str, dict[str, int]] = {"before": {}, "after": {}, "undated": {}}

    def add(self, what: str, day: str | None, number: int = 1) -> None:
        counts = self._find(day)
        counts[what] = counts.get(what, 0) + number

    def _find(self, day: str | None) -> dict[str, int]:
        if not day:
            return self._around["undated"]
        place = days_between(self._first, day) // _DAYS
        if place < 0:
            return self._around["before"]
        monday = add_days(self._first, _DAYS * place)
        return self._counts.get(monday, self._around["after"])

    def weeks(self) -> ClinicWeeks:
        around = {name: Week(monday_on="", **counts) for name, counts in self._around.items()}
        weeks = tuple(Week(monday_on=monday, **counts) for monday, counts in self._counts.items())
        return ClinicWeeks(weeks=weeks, **around)


def count_weeks(
    visits: Iterable[VisitFacts],
    sessions: Iterable[SessionFacts],
    *,
    on: str,
    place: str | None = None,
) -> ClinicWeeks:
    """Return the 26 weeks before the one of today, that week and the 25 after it.

    Parameters
    ----------
    on : str
        Civil date of today.
    place : str or None
        Only what counts at this place; None for the whole unit.
    """
    counter = _Counter(on)
    for visit in visits:
        if place is None or visit.place == place:
            _count_visit(counter, visit, on)
    for session in sessions:
        if place is None or session.place == place:
            counter.add("capacity", session.on, session.capacity)
    return counter.weeks()


def _count_visit(counter: _Counter, visit: VisitFacts, on: str) -> None:
    window = visit.window
    if visit.is_open:
        counter.add("due", window.target_on)
        if window.latest_on is not None and window.latest_on < on:
            counter.add("overdue", window.latest_on)
        if visit.is_booked and visit.slot is not None and visit.slot.on >= on:
            counter.add("demand", visit.slot.on)
            counter.add("booked", visit.slot.on)
        else:
            counter.add("demand", max(window.target_on, on) if window.target_on else None)
    elif visit.status == "attended":
        counter.add("seen", visit.seen_on)
        is_within = (
            visit.seen_on is not None
            and window.earliest_on is not None
            and window.latest_on is not None
            and window.earliest_on <= visit.seen_on <= window.latest_on
        )
        if is_within:
            counter.add("seen_within_window", visit.seen_on)
