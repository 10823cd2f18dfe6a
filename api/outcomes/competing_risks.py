"""How many had one event first, where another may come before it: Aalen-Johansen. Pure.

Aalen and Johansen 1978 (Scand J Stat 5:141-50); the variance by the delta method, as in Marubini
and Valsecchi 1995, "Analysing Survival Data from Clinical Trials", section 10.3. Published.
Censoring a death as if it were a loss would tell more rebleeding than there is.
"""

import math
from collections.abc import Sequence

import msgspec

from api.outcomes.proportions import LEVEL, normal_quantile
from api.outcomes.survival import Spells, band_of, event_days


class IncidenceStep(msgspec.Struct, frozen=True, kw_only=True):
    """What is known on a day with any event.

    Parameters
    ----------
    happened : int
        Events of this cause on this day.
    share : float
        Of the patients, how many had this event first, until this day.
    lower, upper : float or None
        Pointwise band, None while the share is 0 or 1.
    """

    days: int
    at_risk: int
    happened: int
    share: float
    error: float
    lower: float | None
    upper: float | None


def estimate_incidence(spells: Spells, cause: str, level: float = LEVEL) -> list[IncidenceStep]:
    """Return the estimate for one cause at every day on which anything happened.

    Raises
    ------
    OutcomeError
        A spell is of less than 0 days.
    """
    z = normal_quantile(level)
    steps: list[IncidenceStep] = []
    past: list[_Day] = []
    free, share = 1.0, 0.0
    for day in event_days(spells):
        at_risk, happened = day.at_risk, day.happened
        of_cause = day.causes.get(cause, 0)
        share += free * of_cause / at_risk
        past.append(_Day(at_risk, happened, of_cause, free, share))
        free *= (at_risk - happened) / at_risk
        error = math.sqrt(max(_variance(past), 0.0))
        # Of the rest, turned over: with one cause it is the band of Kaplan and Meier.
        rest_lower, rest_upper = band_of(1 - share, error, z)
        steps.append(
            IncidenceStep(
                days=day.days,
                at_risk=at_risk,
                happened=of_cause,
                share=share,
                error=error,
                lower=None if rest_upper is None else 1 - rest_upper,
                upper=None if rest_lower is None else 1 - rest_lower,
            )
        )
    return steps


class _Day(msgspec.Struct, frozen=True):
    at_risk: int
    happened: int
    of_cause: int
    # Without any event before this day.
    free: float
    # Of this cause until this day.
    share: float


def _variance(past: Sequence[_Day]) -> float:
    now = past[-1].share
    total = 0.0
    for one in past:
        later, rest = now - one.share, one.at_risk - one.happened
        if rest:
            total += later**2 * one.happened / (one.at_risk * rest)
        total += one.free**2 * one.of_cause * (one.at_risk - one.of_cause) / one.at_risk**3
        total -= 2 * later * one.free * one.of_cause / one.at_risk**2
    return total
