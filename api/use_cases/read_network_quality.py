"""Data quality of a network: counts by unit and rule, over time, and completeness (DM-03, DM-04).

Units tell counts alone; one below five is held back here as well (HAZ-49), and so is what would
give it away: "41 of 42 cases have it" says that one lacks it.
"""

import datetime
from collections.abc import Iterable, Mapping

import msgspec

from api.quality.quality_rules import QualityRule, packaged_quality_rules
from api.registry.suppress_small import is_small, suppress_parts, suppress_table
from api.storage.standing_store import KeptCounts
from api.storage.unit_store import UnitStore
from api.use_cases.read_fleet import tell_cases, unit_names
from api.use_cases.standing_report import StandingReport, read_standing

# Unit setting (project default): so far back the counts of each week are shown.
_DAYS_BACK = 365


class UnitQuality(msgspec.Struct, frozen=True, kw_only=True):
    """The latest counts of one unit; null is fewer than five, a rule without a count is nought.

    ``cases`` is null also where it would give away that of another unit.
    """

    unit: str
    name: str
    cases: int | None
    reported_ms: int
    counts: dict[str, int | None]


class QualityOfDay(msgspec.Struct, frozen=True, kw_only=True):
    """The counts of one unit at the end of the last day of a week on which it told any."""

    on: str
    unit: str
    counts: dict[str, int | None]


class UnitCompleteness(msgspec.Struct, frozen=True, kw_only=True):
    """How many cases of a unit have a field; null where a group is small, or would give one away.

    Groups are those who have it, those with two answers, and those without.

    ``month`` is ``YYYY-MM``, ``YYYY-Qn``, ``YYYY`` or ``earlier``; "" is all months, or by month an
    unknown day.
    """

    unit: str
    month: str
    field: str
    filled: int | None
    disagreed: int | None
    of: int | None


class NetworkQuality(msgspec.Struct, frozen=True, kw_only=True):
    """What the data manager of a network sees of the units' data."""

    as_of_ms: int
    rules: list[QualityRule]
    units: list[UnitQuality]
    over_time: list[QualityOfDay]
    completeness: list[UnitCompleteness]
    by_month: list[UnitCompleteness]


def read_network_quality(
    store: UnitStore, *, now_ms: int, today: str, unit: str = ""
) -> NetworkQuality:
    """Return the counts of all units, or of one."""
    names = unit_names(store, now_ms=now_ms)
    first = datetime.date.fromisoformat(today) - datetime.timedelta(days=_DAYS_BACK)
    with store.transaction():
        latest = store.standings.latest()
        weeks = store.standings.weekly_counts(first.isoformat(), today, unit)
    every = [
        (one, report) for one in latest if one.unit in names and (report := read_standing(one))
    ]
    cases = tell_cases({one.unit: report for one, report in every})
    read = [(one, report) for one, report in every if unit in ("", one.unit)]
    return NetworkQuality(
        as_of_ms=now_ms,
        rules=list(packaged_quality_rules().rules.values()),
        units=[
            UnitQuality(
                unit=one.unit,
                name=names[one.unit],
                cases=cases[one.unit],
                reported_ms=one.noted_ms,
                counts=_hold_back(report.quality),
            )
            for one, report in sorted(read, key=lambda pair: (names[pair[0].unit], pair[0].unit))
        ],
        over_time=[
            QualityOfDay(on=one.on_day, unit=one.unit, counts=_hold_back(counts))
            for one in weeks
            if one.unit in names and (counts := _read_counts(one)) is not None
        ],
        completeness=[
            line
            for one, report in read
            for line in _lines(
                one.unit, report, by_month=False, is_told=cases[one.unit] is not None
            )
        ],
        by_month=[
            line
            for one, report in read
            for line in _lines(one.unit, report, by_month=True, is_told=cases[one.unit] is not None)
        ],
    )


def _read_counts(kept: KeptCounts) -> dict[str, int] | None:
    try:
        return msgspec.json.decode(kept.quality, type=dict[str, int])
    except msgspec.MsgspecError:
        return None


def _hold_back(counts: dict[str, int]) -> dict[str, int | None]:
    return {rule: None if is_small(count) else count for rule, count in counts.items() if count}


def _lines(
    unit: str, report: StandingReport, *, by_month: bool, is_told: bool
) -> Iterable[UnitCompleteness]:
    """Yield how full each field is, of all months or month by month.

    Parameters
    ----------
    is_told : bool
        Whether it may be told how many cases the unit has: a field that all have would tell it.
    """
    of_field: dict[str, dict[str, tuple[int, int, int]]] = {}
    for line in report.completeness:
        months = of_field.setdefault(line.field, {})
        held = months.get(line.month, (0, 0, 0))
        filled, disagreed, of = line.filled, line.disagreed, line.of
        months[line.month] = (held[0] + filled, held[1] + disagreed, held[2] + of)
    for field, months in of_field.items():
        if by_month:
            told = _tell_months(months)
        else:
            sums = _add(months.values())
            told = {"": sums if None not in suppress_parts(_groups(sums)).values() else None}
        for month, counts in told.items():
            shown = counts if is_told and counts is not None else (None, None, None)
            yield UnitCompleteness(
                unit=unit,
                month=month,
                field=field,
                filled=shown[0],
                disagreed=shown[1],
                of=shown[2],
            )


def _tell_months(
    months: Mapping[str, tuple[int, int, int]],
) -> dict[str, tuple[int, int, int] | None]:
    """Return the months of a field that may be told: the sum of all stands beside them."""
    by_size = suppress_parts({month: of for month, (_, _, of) in months.items()})
    rows = suppress_table([list(_groups(one).values()) for one in months.values()])
    return {
        month: None if by_size[month] is None or None in row else counts
        for (month, counts), row in zip(months.items(), rows, strict=True)
    }


def _groups(counts: tuple[int, int, int]) -> dict[str, int]:
    filled, disagreed, of = counts
    return {"filled": filled, "disagreed": disagreed, "empty": of - filled - disagreed}


def _add(counts: Iterable[tuple[int, int, int]]) -> tuple[int, int, int]:
    filled, disagreed, of = (sum(part) for part in zip(*counts, strict=True))
    return filled, disagreed, of
