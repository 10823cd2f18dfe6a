"""Curves over time, limits and sums of one reading, from counted rows.

Where small groups are hidden, counts are told to the nearest five and shares in steps of five
cases (OC16).
"""

from collections import Counter
from collections.abc import Mapping, Sequence

from api.outcomes.competing_risks import estimate_incidence
from api.outcomes.cusum import follow_risks, run_length
from api.outcomes.definitions import Definition, Sums
from api.outcomes.episode_rows import MARK_HAPPENED, MARK_MISSING, MARK_NOT
from api.outcomes.funnel import Standing, UnitStanding, draw_funnel, find_limits
from api.outcomes.played_limits import mix_of, play_limit, pool_risks
from api.outcomes.proportions import OutcomeError
from api.outcomes.survival import Spell, count_at_risk, estimate_survival
from api.registry.round_counts import round_count, round_share
from api.registry.rounded_standing import judge_rounded
from api.registry.suppress_small import FEWEST, is_small
from api.use_cases.outcome_cells import Cells
from api.use_cases.outcome_report import (
    AtRisk,
    CauseCurve,
    CompetingCurves,
    CurvePoint,
    FunnelLimits,
    FunnelUnit,
    SumPoint,
    ToldCurve,
    ToldFunnel,
    ToldSum,
)

# Numbers at risk stand under these days.
_ROUND_DAYS = (0, 90, 180, 270, 365)
_SIZES = 40


def draw_curve(
    spells: Mapping[Spell, int], by: Definition, *, named: str, hides: bool, keeps_counts: bool
) -> ToldCurve:
    """Return the share that is free of what ends the spells.

    Parameters
    ----------
    hides : bool
        Whether a point comes only after every fifth event, and counts to the nearest five.
    keeps_counts : bool
        Whether nobody is told how many were at risk, or missing.
    """
    cases = _tell_cases(spells, hides=hides)
    happened: list[int] = []
    points: list[CurvePoint] = []
    for step in estimate_survival(spells):
        points.append(CurvePoint(step.days, step.share, step.lower, step.upper))
        happened.append(step.happened)
    return ToldCurve(
        outcome=named,
        definition=by.definition,
        source=by.source,
        cases=cases,
        missing=None if keeps_counts else _tell_unseen(spells, hides=hides),
        until_day=by.until_day or 0,
        told_every=FEWEST if hides else 1,
        points=_thin(points, happened, cases) if hides else points,
        at_risk=[] if keeps_counts else _count_at_risk(spells, by, hides=hides),
    )


def draw_competing(
    spells: Mapping[Spell, int],
    by: Definition,
    causes: Sequence[str],
    *,
    hides: bool,
    keeps_counts: bool,
) -> CompetingCurves:
    """Return, for each cause, the share of those whom it met first; parameters of `draw_curve`."""
    cases = _tell_cases(spells, hides=hides)
    curves = []
    for cause in causes:
        steps = estimate_incidence(spells, cause)
        points = [CurvePoint(one.days, one.share, one.lower, one.upper) for one in steps]
        happened = [one.happened for one in steps]
        # Each curve on its own: one step of one cause is one patient.
        curves.append(CauseCurve(cause, _thin(points, happened, cases) if hides else points))
    return CompetingCurves(
        definition=by.definition,
        source=by.source,
        cases=cases,
        missing=None if keeps_counts else _tell_unseen(spells, hides=hides),
        until_day=by.until_day or 0,
        told_every=FEWEST if hides else 1,
        at_risk=[] if keeps_counts else _count_at_risk(spells, by, hides=hides),
        causes=curves,
    )


def draw_limits(
    told: Mapping[str, Cells | None], total: Cells, by: Definition, *, hides: bool
) -> ToldFunnel | None:
    """Return the units that may be told around the share of all; None where nothing is judged.

    Parameters
    ----------
    hides : bool
        Whether counts are told to the nearest five: then a unit is told to stand where all counts
        that are told so agree, else near a limit (OC8).
    """
    if total.judged == 0:
        return None
    overall = total.happened / total.judged
    shown = [
        (unit, cells.happened, cells.judged)
        for unit, cells in told.items()
        if cells is not None and cells.judged
    ]
    if not shown:
        return None
    funnel = draw_funnel(shown, overall)
    standing = {one.unit: one for one in funnel.units}
    of_all = total.happened, total.did_not
    largest = max(cases for *_, cases in shown)
    # Each unit's own size too: whoever reads the table finds its exact limits.
    sizes = sorted({*_sizes(largest), *(cases for *_, cases in shown)})
    limits = [find_limits(cases, overall) for cases in sizes]
    return ToldFunnel(
        outcome=by.outcome,
        definition=by.definition,
        source=by.source,
        overall=overall,
        missing=total.missing,
        dispersion=funnel.dispersion,
        limits=[
            FunnelLimits(one.cases, one.alarm_low, one.alert_low, one.alert_high, one.alarm_high)
            for one in limits
        ],
        units=[
            FunnelUnit(
                unit=unit,
                happened=None if cells is None else cells.happened,
                cases=None if cells is None else cells.judged,
                share=standing[unit].share if unit in standing else None,
                standing=_judge(cells, standing.get(unit), of_all, hides=hides),
                suppressed=cells is None,
            )
            for unit, cells in told.items()
        ],
    )


def _judge(
    cells: Cells | None, drawn: UnitStanding | None, of_all: tuple[int, int], *, hides: bool
) -> Standing:
    if cells is None or drawn is None:
        return "not-judged"
    return judge_rounded((cells.happened, cells.did_not), of_all) if hides else drawn.standing


def draw_sum(
    groups: Mapping[tuple[str, ...], tuple[int, int]],
    cases: Sequence[tuple[tuple[str, ...], str, str]],
    by: Sums,
    limits: dict[str, float],
    *,
    unit: str,
    outcome: str,
) -> ToldSum | None:
    """Return the sum of one unit's cases; None where nothing happened anywhere or nobody knows.

    Parameters
    ----------
    groups : mapping
        Of each group of the case mix in all units how many happened, and how many are judged.
    cases : sequence of (group, mark, month)
        Of the unit, in the order in which they were treated.
    limits : dict
        Limits that were played before; those played now are added.
    """
    risks = pool_risks(groups, by.prior_cases)
    judged = [one for one in cases if one[1] in (MARK_HAPPENED, MARK_NOT)]
    if not judged or not any(happened for happened, _ in groups.values()):
        return None
    mix = mix_of([risks[group] for group, *_ in judged])
    key = f"{by.seed} {by.plays} {by.cases} {by.false_per_mille} {by.odds} {list(mix)}"
    if key not in limits:
        limits[key] = play_limit(mix, by)
    limit = limits[key]
    steps = follow_risks(
        [(risks[group], mark == MARK_HAPPENED) for group, mark, _ in judged],
        limit=limit,
        odds=by.odds,
    )
    missing = sum(mark == MARK_MISSING for _, mark, _ in cases)
    points = [
        SumPoint(step.number, month, step.sum, step.is_signal)
        for step, (_, _, month) in zip(steps, judged, strict=True)
    ]
    return ToldSum(
        unit=unit,
        outcome=outcome,
        definition=by.definition,
        source=by.source,
        missing=missing,
        limit=limit,
        run_length=_run_length(mix, limit, by),
        points=points,
    )


def _run_length(mix: Sequence[float], limit: float, by: Sums) -> int | None:
    try:
        return round(run_length(mix, limit=limit, odds=by.odds))
    except OutcomeError:
        return None


def _tell_unseen(spells: Mapping[Spell, int], *, hides: bool) -> int | None:
    count = spells.get(Spell(0), 0)
    if not hides:
        return count
    return None if is_small(count) else round_count(count)


def _tell_cases(spells: Mapping[Spell, int], *, hides: bool) -> int:
    cases = sum(spells.values())
    return round_count(cases) if hides else cases


def _thin(points: Sequence[CurvePoint], happened: Sequence[int], cases: int) -> list[CurvePoint]:
    """Keep a point only where so many events came since the one before that none is alone.

    Its share is told in steps of five of the cases, its band by the steps that hold it.
    """
    kept, since = [], 0
    for point, events in zip(points, happened, strict=True):
        since += events
        if since >= FEWEST:
            kept.append(_round_point(point, cases))
            since = 0
    return kept


def _round_point(point: CurvePoint, cases: int) -> CurvePoint:
    low, high = point.low, point.high
    return CurvePoint(
        point.day,
        round_share(point.share, cases),
        None if low is None else round_share(low, cases, towards=-1),
        None if high is None else round_share(high, cases, towards=1),
    )


def _count_at_risk(spells: Mapping[Spell, int], by: Definition, *, hides: bool) -> list[AtRisk]:
    """Return how many were still watched under the days of the axis.

    Where small groups are hidden, a count by which one to four fewer are watched than by the last
    one told is not told: the two would tell that group.
    """
    days = [day for day in _ROUND_DAYS if by.until_day is None or day <= by.until_day]
    counts = count_at_risk(Counter(spells), days)
    if not hides:
        return [AtRisk(day, count) for day, count in zip(days, counts, strict=True)]
    told, last = [], sum(spells.values())
    for day, count in zip(days, counts, strict=True):
        is_hidden = is_small(count) or is_small(last - count)
        told.append(AtRisk(day, None if is_hidden else round_count(count)))
        last = last if is_hidden else count
    return told


def _sizes(largest: int) -> set[int]:
    """Return so many sizes from 1 to the largest that a line through them is smooth."""
    step = (largest - 1) / (_SIZES - 1)
    return {1 + round(place * step) for place in range(_SIZES)}
