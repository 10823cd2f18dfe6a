"""What a reading of outcomes tells: counts, curves, limits and sums, with what is missing beside.

None stands for what is not told: nothing to reckon from, or at a hub a group so small that it
could point at somebody (`is_suppressed` and its like say which).
"""

from typing import Literal

import msgspec

from api.outcomes.funnel import Standing


class ToldUnit(msgspec.Struct, frozen=True):
    """A unit and its cases; units stand by name, never by a result."""

    unit: str
    name: str
    cases: int | None


class ToldMix(msgspec.Struct, frozen=True):
    """A field by which cases may be narrowed; the value "" is "not recorded"."""

    field: str
    values: list[str]


class UnitCount(msgspec.Struct, frozen=True):
    """An outcome in one unit; cases of which the time is not over are in no denominator."""

    unit: str
    happened: int | None
    judged: int | None
    missing: int | None
    not_due: int | None
    suppressed: bool


class ToldOutcome(msgspec.Struct, frozen=True, kw_only=True):
    """One outcome in all cases chosen; `low` and `high` are the 95 % interval of Wilson.

    Parameters
    ----------
    counted : str
        What `happened` and `judged` count. Of windows `missing` are the cases that have none.
    """

    outcome: str
    group: str
    definition: str
    source: str
    basis: str
    happened: int | None
    judged: int | None
    missing: int | None
    not_due: int | None
    low: float | None
    high: float | None
    suppressed: bool
    by_unit: list[UnitCount]
    counted: Literal["cases", "windows"] = "cases"


class SourceCount(msgspec.Struct, frozen=True):
    """Where the first bleed of a case within a year came from."""

    source: str
    happened: int | None


class CurvePoint(msgspec.Struct, frozen=True):
    """A share and its pointwise 95 % band from a day on."""

    day: int
    share: float
    low: float | None
    high: float | None


class AtRisk(msgspec.Struct, frozen=True):
    """How many were still watched on a day."""

    day: int
    cases: int | None


class ToldCurve(msgspec.Struct, frozen=True, kw_only=True):
    """The share without an event; `missing` are the cases of which no later day is known.

    Parameters
    ----------
    told_every : int
        After how many events a point comes, at least: what lies between two is not told.
    """

    outcome: str
    definition: str
    source: str
    cases: int
    missing: int | None
    until_day: int
    told_every: int
    points: list[CurvePoint]
    at_risk: list[AtRisk]


class CauseCurve(msgspec.Struct, frozen=True):
    """The share of those whom one cause met first."""

    cause: str
    points: list[CurvePoint]


class CompetingCurves(msgspec.Struct, frozen=True, kw_only=True):
    """Causes of which only one can come first."""

    definition: str
    source: str
    cases: int
    missing: int | None
    until_day: int
    told_every: int
    at_risk: list[AtRisk]
    causes: list[CauseCurve]


class FunnelLimits(msgspec.Struct, frozen=True):
    """Limits of a share for so many cases."""

    cases: int
    low998: float
    low95: float
    high95: float
    high998: float


class FunnelUnit(msgspec.Struct, frozen=True, kw_only=True):
    """One unit beside the limits."""

    unit: str
    happened: int | None
    cases: int | None
    share: float | None
    standing: Standing
    suppressed: bool


class ToldFunnel(msgspec.Struct, frozen=True, kw_only=True):
    """Units around the share of all; `dispersion` well above 1: they differ beyond chance."""

    outcome: str
    definition: str
    source: str
    overall: float
    missing: int
    dispersion: float | None
    limits: list[FunnelLimits]
    units: list[FunnelUnit]


class SumPoint(msgspec.Struct, frozen=True):
    """The sum after one case; months, since a day of a case is nobody's business."""

    number: int
    month: str
    value: float
    is_signal: bool


class ToldSum(msgspec.Struct, frozen=True, kw_only=True):
    """A risk-adjusted sum; `run_length` is after how many cases it signals without cause."""

    unit: str
    outcome: str
    definition: str
    source: str
    missing: int
    limit: float
    run_length: int | None
    points: list[SumPoint]


class ToldAmount(msgspec.Struct, frozen=True, kw_only=True):
    """Median and quartiles of something counted in each case."""

    amount: str
    definition: str
    source: str
    cases: int | None
    missing: int | None
    median: float | None
    low: float | None
    high: float | None


class ToldMonth(msgspec.Struct, frozen=True):
    """Cases treated in a month, and in how many of them each outcome happened.

    The last one may be the month of the reading: then it holds those of later months as well, into
    which a hub's moved days fall.
    """

    month: str
    cases: int | None
    happened: dict[str, int | None]


class OutcomeReport(msgspec.Struct, frozen=True, kw_only=True):
    """Everything that one reading tells.

    Parameters
    ----------
    from_on, until_on : str
        The period that was counted: at a hub all time, a calendar year or a quarter.
    unit : str
        The one unit that is shown, "" for all.
    cautions : list of str
        ``shifted-dates``, ``own-rates``, ``overdispersed``, ``hidden-groups``,
        ``rounded-counts``.
    """

    as_of_ms: int
    from_on: str
    until_on: str
    unit: str
    cases: int | None
    units: list[ToldUnit]
    mixes: list[ToldMix]
    outcomes: list[ToldOutcome]
    sources: list[SourceCount]
    survival: list[ToldCurve]
    competing: CompetingCurves | None
    funnels: list[ToldFunnel]
    cusums: list[ToldSum]
    amounts: list[ToldAmount]
    months: list[ToldMonth]
    cautions: list[str]
