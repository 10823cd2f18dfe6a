"""Data quality of a network: totals by rule, units page by page, one unit in full (DM-03, DM-04).

Units tell counts alone; one below five is held back here as well (HAZ-49), and so is what would
give it away: "41 of 42 cases have it" says that one lacks it. No answer grows with all that a
thousand units tell: their counts come by pages, and how full fields are is told of one unit.
"""

import datetime
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

import msgspec

from api.quality.completeness import CompletenessLine
from api.quality.quality_rules import QualityRule, packaged_quality_rules
from api.registry.suppress_small import FEWEST, is_small, suppress_parts, suppress_table
from api.storage.standing_store import KeptCounts, week_begins
from api.storage.unit_store import UnitStore
from api.use_cases.errors import CalculationError
from api.use_cases.read_fleet import tell_cases, unit_names
from api.use_cases.standing_report import read_completeness, read_standing

UNITS_AT_ONCE = 50
# Unit setting (project default): so far back the counts of each week are shown.
_DAYS_BACK = 365


class QualityAsk(msgspec.Struct, frozen=True, kw_only=True):
    """What is asked for; what is left out narrows nothing.

    Parameters
    ----------
    unit : str
        One unit, with how full its fields are.
    rule : str
        Units in which this rule found something.
    after : str
        The unit after which, by name, the page begins.
    """

    unit: str = ""
    rule: str = ""
    after: str = ""


class UnitQuality(msgspec.Struct, frozen=True, kw_only=True):
    """The latest counts of one unit; null is fewer than five, a rule without a count is nought.

    ``cases`` is null also where it would give away that of another unit.
    """

    unit: str
    name: str
    cases: int | None
    reported_ms: int
    counts: dict[str, int | None]


class NamedUnit(msgspec.Struct, frozen=True):
    """A unit that has told of its quality."""

    unit: str
    name: str


class RuleTotal(msgspec.Struct, frozen=True, kw_only=True):
    """What a rule found in all units chosen.

    Where a unit's count is held back it stands in ``found`` as one: ``is_least`` then says so.
    """

    rule: str
    found: int
    is_least: bool
    units: int


class QualityOfWeek(msgspec.Struct, frozen=True, kw_only=True):
    """What the rules found by the last report of a week of each unit, in so many units.

    Of the rules in ``at_least`` some count is held back, and stands in the sum as one.
    """

    on: str
    units: int
    counts: dict[str, int]
    at_least: list[str]


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
    """What the data manager of a network sees of the units' data.

    Parameters
    ----------
    units : list of UnitQuality
        A page, by name; ``more`` where others follow.
    names : list of NamedUnit
        Every unit that told anything; with the first page of all units alone.
    over_time : list of QualityOfWeek
        Of all units, or of the one that is asked for; with no later page and no page of a rule.
    completeness, by_month : list of UnitCompleteness
        Of the one unit that is asked for.
    """

    as_of_ms: int
    rules: list[QualityRule]
    totals: list[RuleTotal]
    units: list[UnitQuality]
    more: bool
    names: list[NamedUnit]
    over_time: list[QualityOfWeek]
    completeness: list[UnitCompleteness]
    by_month: list[UnitCompleteness]


def read_network_quality(
    store: UnitStore, ask: QualityAsk, *, now_ms: int, today: str
) -> NetworkQuality:
    """Return what the rules found in all units, or in one.

    Raises
    ------
    CalculationError
        There is no such rule, or no such unit to go on from.
    """
    rules = packaged_quality_rules().rules
    if ask.rule and ask.rule not in rules:
        raise CalculationError("There is no such rule. Take one of `rules`, or none for all.")
    names = unit_names(store, now_ms=now_ms)
    is_first = not (ask.rule or ask.after)
    first = datetime.date.fromisoformat(today) - datetime.timedelta(days=_DAYS_BACK)
    with store.reading():
        latest = store.standings.latest()
        weeks = (
            store.standings.weekly_counts(first.isoformat(), today, ask.unit) if is_first else []
        )
        completeness = read_completeness(store.standings.completeness_of(ask.unit))
    every = [
        (one, report) for one in latest if one.unit in names and (report := read_standing(one))
    ]
    cases = tell_cases({one.unit: report for one, report in every})
    chosen = [
        UnitQuality(
            unit=one.unit,
            name=names[one.unit],
            cases=cases[one.unit],
            reported_ms=one.noted_ms,
            counts=_hold_back(report.quality),
        )
        for one, report in sorted(every, key=lambda pair: (names[pair[0].unit], pair[0].unit))
        if ask.unit in ("", one.unit)
    ]
    page = [one for one in _from(chosen, ask.after) if not ask.rule or ask.rule in one.counts]
    is_told = cases.get(ask.unit) is not None
    return NetworkQuality(
        as_of_ms=now_ms,
        rules=list(rules.values()),
        totals=[_total(rule, chosen) for rule in rules],
        units=page[:UNITS_AT_ONCE],
        more=len(page) > UNITS_AT_ONCE,
        names=[NamedUnit(one.unit, one.name) for one in chosen] if is_first else [],
        over_time=_tell_weeks([one for one in weeks if one.unit in names]),
        completeness=list(_lines(ask.unit, completeness, by_month=False, is_told=is_told)),
        by_month=list(_lines(ask.unit, completeness, by_month=True, is_told=is_told)),
    )


def _from(units: Sequence[UnitQuality], after: str) -> Sequence[UnitQuality]:
    if not after:
        return units
    place = next((place for place, one in enumerate(units) if one.unit == after), None)
    if place is None:
        raise CalculationError("The unit to go on from is not there any more. Begin anew.")
    return units[place + 1 :]


def _total(rule: str, units: Iterable[UnitQuality]) -> RuleTotal:
    counts = [one.counts[rule] for one in units if rule in one.counts]
    return RuleTotal(
        rule=rule,
        found=sum(1 if count is None else count for count in counts),
        is_least=None in counts,
        units=len(counts),
    )


def _tell_weeks(kept: Iterable[KeptCounts]) -> list[QualityOfWeek]:
    """Return the sums of each week: who told on its Friday counts with who did on its Sunday."""
    weeks: dict[str, list[tuple[str, dict[str, int]]]] = {}
    for one in kept:
        if (counts := _read_counts(one)) is not None:
            weeks.setdefault(week_begins(one.on_day), []).append((one.on_day, counts))
    told = []
    for _, some in sorted(weeks.items()):
        sums: Counter[str] = Counter()
        held: set[str] = set()
        for _, told_of in some:
            for rule, count in told_of.items():
                # As `_hold_back` has it: of a thousand units and a year these are a million.
                if 0 < count < FEWEST:
                    held.add(rule)
                    sums[rule] += 1
                elif count:
                    sums[rule] += count
        told.append(
            QualityOfWeek(
                on=max(on for on, _ in some),
                units=len(some),
                counts=dict(sorted(sums.items())),
                at_least=sorted(held),
            )
        )
    return told


def _read_counts(kept: KeptCounts) -> dict[str, int] | None:
    try:
        return msgspec.json.decode(kept.quality, type=dict[str, int])
    except msgspec.MsgspecError:
        return None


def _hold_back(counts: dict[str, int]) -> dict[str, int | None]:
    return {rule: None if is_small(count) else count for rule, count in counts.items() if count}


def _lines(
    unit: str, completeness: Iterable[CompletenessLine], *, by_month: bool, is_told: bool
) -> Iterable[UnitCompleteness]:
    """Yield how full each field is, of all months or month by month.

    Parameters
    ----------
    is_told : bool
        Whether it may be told how many cases the unit has: a field that all have would tell it.
    """
    of_field: dict[str, dict[str, tuple[int, int, int]]] = {}
    for line in completeness:
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
