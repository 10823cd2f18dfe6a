"""How well follow-up is kept: five measures over a period, for the unit and each place (FM1-FM9).

Counted from visits alone. What cannot be told from the record is counted as missing and named,
never left out in silence.
"""

import statistics
from collections.abc import Iterable, Sequence
from typing import Literal

import msgspec

from api.clinical_rules.civil_date import add_days, add_interval, days_between
from api.clinical_rules.clinic_facts import VisitFacts
from api.clinical_rules.errors import RuleFileError
from api.clinical_rules.rule_file import Days, Months, Row, Words

MEASURES = "follow_up/measures"
MeasureName = Literal[
    "seen_within_window", "median_days_late", "lost", "no_show_share", "tries_per_booked_visit"
]
# What ended for one of these reasons could not have been kept by anybody.
_NOT_COUNTED = ("died", "transferred", "not-needed", "case-retracted")


class MeasureRow(Row, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The definition of one measure.

    ``months`` and ``days`` are how far past the latest date a visit counts as lost, or is still
    taken as within its window; 0 where the measure knows none.
    """

    measure: MeasureName
    months: Months = 0
    days: Days = 0
    definition: Words


class Measure(msgspec.Struct, frozen=True, kw_only=True):
    """One measure of the unit (`place` None) or of one place ("" where no place is known).

    Parameters
    ----------
    count, of : int
        What was counted, and out of how many; for the median both are the visits it is of.
    figure : str or None
        The figure in `unit`, exact to the digits shown, a half rounded up; None where `of` is 0.
    missing : int
        Visits that belong here and cannot be judged, for want of a date.
    """

    measure: MeasureName
    place: str | None
    count: int
    of: int
    figure: str | None
    unit: str
    missing: int


def count_measures(
    visits: Iterable[VisitFacts],
    rows: Sequence[MeasureRow],
    *,
    from_on: str,
    until_on: str,
    on: str,
) -> list[Measure]:
    """Return every measure that the rows define, of the whole unit and then of each place.

    Parameters
    ----------
    from_on, until_on : str
        First and last civil date of the period.
    on : str
        Civil date of today, by which a visit is open, late or lost.

    Raises
    ------
    RuleFileError
        A measure is defined twice.
    """
    if len({row.measure for row in rows}) != len(rows):
        message = f"Rule file {MEASURES} defines a measure twice. Take one row out."
        raise RuleFileError(message)
    every = list(visits)
    places: list[str | None] = [None, *sorted({place for one in every for place in _places(one)})]
    period = _Period(from_on, until_on, on)
    return [_MAKERS[row.measure](every, row, period, place) for place in places for row in rows]


class _Period(msgspec.Struct, frozen=True):
    from_on: str
    until_on: str
    on: str

    def has(self, day: str | None) -> bool:
        return day is not None and self.from_on <= day <= self.until_on


def _places(visit: VisitFacts) -> set[str]:
    return {visit.place, *(one.place for one in visit.outcomes)}


def _of_place(visits: list[VisitFacts], place: str | None) -> list[VisitFacts]:
    return [one for one in visits if place is None or one.place == place]


def _was_to_be_seen(visit: VisitFacts) -> bool:
    return visit.status != "ended" or visit.ended_because not in _NOT_COUNTED


def _seen_within_window(
    visits: list[VisitFacts], row: MeasureRow, period: _Period, place: str | None
) -> Measure:
    """FM2: of the visits whose latest date lies in the period and has passed, or that were seen."""
    seen, of, missing = 0, 0, 0
    for visit in _of_place(visits, place):
        if not _was_to_be_seen(visit):
            continue
        latest_on, earliest_on = visit.window.latest_on, visit.window.earliest_on
        if latest_on is None or earliest_on is None:
            missing += period.has(visit.seen_on)
            continue
        if not period.has(latest_on) or (visit.seen_on is None and latest_on >= period.on):
            continue
        of += 1
        seen += visit.seen_on is not None and (
            earliest_on <= visit.seen_on <= add_days(latest_on, row.days)
        )
    return _share(row, place, seen, of, missing)


def _median_days_late(
    visits: list[VisitFacts], row: MeasureRow, period: _Period, place: str | None
) -> Measure:
    """FM3: days from target to the day seen, of the visits seen in the period; early counts 0."""
    here = [one for one in _of_place(visits, place) if period.has(one.seen_on)]
    late = [
        max(0, days_between(one.window.target_on, one.seen_on))
        for one in here
        if one.window.target_on is not None and one.seen_on is not None
    ]
    figure = None
    if late:
        # The median of whole numbers is a whole or a half.
        halves = int(statistics.median(late) * 2)
        figure = f"{halves // 2}.{5 * (halves % 2)}"
    return Measure(
        measure=row.measure,
        place=place,
        count=len(late),
        of=len(late),
        figure=figure,
        unit="days",
        missing=len(here) - len(late),
    )


def _lost(visits: list[VisitFacts], row: MeasureRow, period: _Period, place: str | None) -> Measure:
    """FM4: of the visits whose latest date lies in the period, those still open months after it."""
    lost, of, missing = 0, 0, 0
    for visit in _of_place(visits, place):
        if not _was_to_be_seen(visit):
            continue
        latest_on = visit.window.latest_on
        if latest_on is None:
            missing += visit.is_open
            continue
        if not period.has(latest_on):
            continue
        of += 1
        lost += visit.is_open and add_interval(latest_on, months=row.months, days=0) < period.on
    return _share(row, place, lost, of, missing)


def _no_show_share(
    visits: list[VisitFacts], row: MeasureRow, period: _Period, place: str | None
) -> Measure:
    """FM5: of the appointments of the period with an answer, those to which nobody came."""
    answered = [
        one
        for visit in visits
        for one in visit.outcomes
        if period.has(one.on) and (place is None or one.place == place)
    ]
    unanswered = sum(
        visit.is_booked
        and visit.slot is not None
        and period.has(visit.slot.on)
        and visit.slot.on < period.on
        for visit in _of_place(visits, place)
    )
    missed = sum(one.what == "no-show" for one in answered)
    return _share(row, place, missed, len(answered), unanswered)


def _tries_per_booked_visit(
    visits: list[VisitFacts], row: MeasureRow, period: _Period, place: str | None
) -> Measure:
    """FM6: tries to reach somebody, over the visits with a booking in the period."""
    booked = [
        one for one in _of_place(visits, place) if one.slot is not None and period.has(one.slot.on)
    ]
    tries, of = sum(len(one.tries) for one in booked), len(booked)
    return Measure(
        measure=row.measure,
        place=place,
        count=tries,
        of=of,
        figure=_quotient(tries, of, places=2),
        unit="tries",
        missing=0,
    )


def _share(row: MeasureRow, place: str | None, count: int, of: int, missing: int) -> Measure:
    return Measure(
        measure=row.measure,
        place=place,
        count=count,
        of=of,
        figure=_quotient(100 * count, of, places=1),
        unit="%",
        missing=missing,
    )


def _quotient(count: int, of: int, *, places: int) -> str | None:
    """Return a quotient as decimal text, a half rounded up, without any fraction in between."""
    if of == 0:
        return None
    scale = 10**places
    whole = (2 * count * scale + of) // (2 * of)
    return f"{whole // scale}.{whole % scale:0{places}d}"


_MAKERS = {
    "seen_within_window": _seen_within_window,
    "median_days_late": _median_days_late,
    "lost": _lost,
    "no_show_share": _no_show_share,
    "tries_per_booked_visit": _tries_per_booked_visit,
}
