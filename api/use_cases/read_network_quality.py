"""Data quality of a network: counts by unit and rule, over time, and completeness (DM-03, DM-04).

Units tell counts alone; one below five is held back here as well (HAZ-49).
"""

import datetime
from collections.abc import Iterable

import msgspec

from api.quality.quality_rules import QualityRule, packaged_quality_rules
from api.registry.suppress_small import is_small, suppress_parts
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
    """How many cases of a unit have a field; null where the group is small, or would give one away.

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
            line for one, report in read for line in _lines(one.unit, report, by_month=False)
        ],
        by_month=[line for one, report in read for line in _lines(one.unit, report, by_month=True)],
    )


def _read_counts(kept: KeptCounts) -> dict[str, int] | None:
    try:
        return msgspec.json.decode(kept.quality, type=dict[str, int])
    except msgspec.MsgspecError:
        return None


def _hold_back(counts: dict[str, int]) -> dict[str, int | None]:
    return {rule: None if is_small(count) else count for rule, count in counts.items() if count}


def _lines(unit: str, report: StandingReport, *, by_month: bool) -> Iterable[UnitCompleteness]:
    sums: dict[tuple[str, str], list[int]] = {}
    for line in report.completeness:
        held = sums.setdefault((line.month if by_month else "", line.field), [0, 0, 0])
        for place, count in enumerate((line.filled, line.disagreed, line.of)):
            held[place] += count
    of_field: dict[str, dict[str, int]] = {}
    for (month, field), counts in sums.items():
        of_field.setdefault(field, {})[month] = counts[2]
    told = {field: suppress_parts(months) for field, months in of_field.items()}
    for (month, field), counts in sums.items():
        filled, disagreed, of = counts
        # Of one small month another is held back with it: the sum would tell it.
        is_hidden = told[field][month] is None
        yield UnitCompleteness(
            unit=unit,
            month=month,
            field=field,
            filled=None if is_hidden else filled,
            disagreed=None if is_hidden else disagreed,
            of=None if is_hidden else of,
        )
