"""Limits within which units differ by chance alone, around the rate of all: no ranking. Pure.

Spiegelhalter 2002 (Qual Saf Health Care 11:390-1) and 2005 (Stat Med 24:1185-202), limits of the
binomial distribution interpolated as in the appendix of the later paper (the formula from memory).
Two limits: 95 % "alert" and 99.8 % "alarm". Units of fewer than ten cases are drawn and not judged
(project default).
"""

from collections.abc import Sequence
from functools import lru_cache
from typing import Literal

import msgspec
import numpy as np
import numpy.typing as npt

from api.outcomes.proportions import OutcomeError

ALERT, ALARM = 0.95, 0.998
JUDGED_FROM = 10
_TO_DIFFER = 2

FloatArray = npt.NDArray[np.float64]
Standing = Literal[
    "not-judged",
    "within",
    "alert-low",
    "alert-high",
    "alarm-low",
    "alarm-high",
    # Of rounded counts alone: on which side of a limit the unit lies nobody can say.
    "near-limit",
]


class Limits(msgspec.Struct, frozen=True, kw_only=True):
    """Shares beyond which a unit of so many cases is called different."""

    cases: int
    alarm_low: float
    alert_low: float
    alert_high: float
    alarm_high: float


class UnitStanding(msgspec.Struct, frozen=True, kw_only=True):
    """One unit beside its limits."""

    unit: str
    happened: int
    cases: int
    share: float
    limits: Limits
    standing: Standing


class Funnel(msgspec.Struct, frozen=True, kw_only=True):
    """All units in the order in which they were given.

    Parameters
    ----------
    dispersion : float or None
        Mean square of the standardised differences of the judged units: near 1 by chance alone;
        well above, the units differ in more than chance and the limits are too narrow. None with
        fewer than two judged units.
    """

    rate: float
    units: list[UnitStanding]
    dispersion: float | None


def draw_funnel(counts: Sequence[tuple[str, int, int]], rate: float | None = None) -> Funnel:
    """Return where units stand around a rate.

    Parameters
    ----------
    counts : sequence of (unit, happened, cases)
        Units without a case are left out: they have no share.
    rate : float, optional
        What the units are held against; that of all cases together where none is given.

    Raises
    ------
    OutcomeError
        No unit has a case, or counts or rate are impossible.
    """
    held = [(unit, happened, cases) for unit, happened, cases in counts if cases > 0]
    total = sum(cases for *_, cases in held)
    if total == 0 or any(not 0 <= happened <= cases for _, happened, cases in held):
        raise OutcomeError("No unit has a case, or more happened than there are cases.")
    middle = sum(happened for _, happened, _ in held) / total if rate is None else rate
    if not 0 <= middle <= 1:
        message = f"{middle} is no rate. Give one between 0 and 1."
        raise OutcomeError(message)
    units = [
        UnitStanding(
            unit=unit,
            happened=happened,
            cases=cases,
            share=happened / cases,
            limits=(limits := find_limits(cases, middle)),
            standing=judge_share(happened / cases, limits),
        )
        for unit, happened, cases in held
    ]
    return Funnel(rate=middle, units=units, dispersion=_dispersion(units, middle))


@lru_cache(maxsize=4_096)
def find_limits(cases: int, rate: float) -> Limits:
    """Return the limits for a unit of so many cases."""
    alarm, alert = (1 - ALARM) / 2, (1 - ALERT) / 2
    so_far = _cumulate(cases, rate)
    return Limits(
        cases=cases,
        alarm_low=_find(so_far, cases, rate, alarm),
        alert_low=_find(so_far, cases, rate, alert),
        alert_high=_find(so_far, cases, rate, 1 - alert),
        alarm_high=_find(so_far, cases, rate, 1 - alarm),
    )


def find_limit(cases: int, rate: float, chance: float) -> float:
    """Return the share below which a unit lies with a chance, interpolated between whole counts."""
    return _find(_cumulate(cases, rate), cases, rate, chance)


def _find(so_far: FloatArray, cases: int, rate: float, chance: float) -> float:
    if rate in (0.0, 1.0):
        return rate
    count = min(int(np.searchsorted(so_far, chance)), cases)
    upper, lower = float(so_far[count]), float(so_far[count - 1]) if count else 0.0
    past = (upper - chance) / (upper - lower) if upper > lower else 0.0
    return min(max((count - past) / cases, 0.0), 1.0)


def _cumulate(cases: int, rate: float) -> FloatArray:
    """Return the chance of at most 0, 1, 2 ... of the cases, from the likeliest count outwards."""
    if rate in (0.0, 1.0):
        return np.zeros(0)
    middle = min(int((cases + 1) * rate), cases)
    up, down = np.arange(middle, cases), np.arange(middle, 0, -1)
    odds = rate / (1 - rate)
    above = np.cumprod((cases - up) / (up + 1) * odds)
    below = np.cumprod(down / (cases - down + 1) / odds)
    likely = np.concatenate([below[::-1], [1.0], above])
    return np.cumsum(likely / likely.sum())


def judge_share(share: float, limits: Limits) -> Standing:
    """Return on which side of its limits a share lies."""
    if limits.cases < JUDGED_FROM:
        return "not-judged"
    if share > limits.alarm_high:
        return "alarm-high"
    if share < limits.alarm_low:
        return "alarm-low"
    if share > limits.alert_high:
        return "alert-high"
    return "alert-low" if share < limits.alert_low else "within"


def _dispersion(units: Sequence[UnitStanding], rate: float) -> float | None:
    judged = [one for one in units if one.cases >= JUDGED_FROM]
    spread = rate * (1 - rate)
    if len(judged) < _TO_DIFFER or spread == 0:
        return None
    return sum((one.share - rate) ** 2 * one.cases / spread for one in judged) / len(judged)
