"""How long nothing happened: Kaplan-Meier with its band, and the log-rank comparison. Pure.

Kaplan and Meier 1958 (JASA 53:457-81), variance of Greenwood 1926, the band on the scale of
log(-log) (Kalbfleisch and Prentice 1980): it never leaves 0 to 1. Log-rank: Mantel 1966 (Cancer
Chemother Rep 50:163-70), for several groups as in Peto and Peto 1972. Published.
"""

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import msgspec
import numpy as np

from api.outcomes.proportions import LEVEL, OutcomeError, chance_beyond, normal_quantile

_TO_COMPARE = 2
# A share below it is 0 but for the rounding of sums.
_NOTHING = 1e-12


class Spell(msgspec.Struct, frozen=True):
    """How long one patient was watched, and what ended it.

    Parameters
    ----------
    days : int
        From the treatment; what is known on a day counts on that day.
    ended_by : str
        "" where the patient was last seen without an event: the spell is censored there.
    """

    days: int
    ended_by: str = ""


# Each spell as it was, or how many there are of each: a network of a million cases has few spells
# that differ.
Spells = Sequence[Spell] | Mapping[Spell, int]


class Day(NamedTuple):
    """A day on which something happened: who was at risk on it, and how many had which event."""

    days: int
    at_risk: int
    causes: Mapping[str, int]

    @property
    def happened(self) -> int:
        """All events of the day."""
        return sum(self.causes.values())


class SurvivalStep(msgspec.Struct, frozen=True, kw_only=True):
    """What is known on a day with an event, which holds until the next one.

    Parameters
    ----------
    share : float
        Of the patients, how many had no event so far.
    lower, upper : float or None
        Pointwise band; None where there is none, which is while nothing is left.
    """

    days: int
    at_risk: int
    happened: int
    share: float
    error: float | None
    lower: float | None
    upper: float | None


class LogRank(msgspec.Struct, frozen=True, kw_only=True):
    """How much groups differ: observed and expected events of each, and how odd that is."""

    observed: tuple[int, ...]
    expected: tuple[float, ...]
    chi_square: float
    degrees: int
    chance: float


def estimate_survival(spells: Spells, level: float = LEVEL) -> list[SurvivalStep]:
    """Return the estimate at every day on which something happened.

    Who is censored on a day counts as at risk on it.

    Raises
    ------
    OutcomeError
        A spell is of less than 0 days.
    """
    z = normal_quantile(level)
    steps: list[SurvivalStep] = []
    share, spread = 1.0, 0.0
    for day in event_days(spells):
        at_risk, happened = day.at_risk, day.happened
        share *= (at_risk - happened) / at_risk
        is_empty = at_risk == happened
        spread += 0.0 if is_empty else happened / (at_risk * (at_risk - happened))
        lower, upper = (None, None) if is_empty else band_of(share, share * math.sqrt(spread), z)
        steps.append(
            SurvivalStep(
                days=day.days,
                at_risk=at_risk,
                happened=happened,
                share=0.0 if is_empty else share,
                error=None if is_empty else share * math.sqrt(spread),
                lower=lower,
                upper=upper,
            )
        )
    return steps


def band_of(share: float, error: float, z: float) -> tuple[float | None, float | None]:
    """Return the band of a share on the scale of log(-log); (None, None) at 0 and at 1."""
    if not _NOTHING < share < 1 - _NOTHING:
        return None, None
    reach = z * error / (share * abs(math.log(share)))
    return share ** math.exp(reach), share ** math.exp(-reach)


def find_median(steps: Sequence[SurvivalStep]) -> int | None:
    """Return the first day on which half had the event, None where it was not reached."""
    # Half of an even number is reached, though a product of floats may lie a hair above it.
    return next((one.days for one in steps if one.share <= 0.5 + 1e-12), None)


def compare_groups(groups: Sequence[Spells]) -> LogRank:
    """Return the log-rank comparison of two groups or more.

    Raises
    ------
    OutcomeError
        There are fewer than two groups, one is empty, or nothing happened in any.
    """
    if len(groups) < _TO_COMPARE or any(not group for group in groups):
        raise OutcomeError("Compare two groups or more, each with at least one patient.")
    every: Counter[Spell] = Counter()
    for group in groups:
        every.update(Counter(group))
    days = event_days(every)
    if not days:
        raise OutcomeError("Nothing happened in any group: there is nothing to compare yet.")
    tables = [_Table(group) for group in groups]
    observed, expected = np.zeros(len(groups)), np.zeros(len(groups))
    spread = np.zeros((len(groups), len(groups)))
    for day in days:
        counts = np.array([table.at(day.days) for table in tables], dtype=float)
        at_risk, happened = day.at_risk, day.happened
        shares = counts[:, 0] / at_risk
        observed += counts[:, 1]
        expected += happened * shares
        if at_risk > 1:
            factor = happened * (at_risk - happened) / (at_risk - 1)
            spread += factor * (np.diag(shares) - np.outer(shares, shares))
    # The differences add up to 0: one group is told by the others.
    apart, rest = (observed - expected)[:-1], spread[:-1, :-1]
    chi_square = float(apart @ np.linalg.pinv(rest) @ apart)
    degrees = len(groups) - 1
    return LogRank(
        observed=tuple(int(one) for one in observed),
        expected=tuple(float(one) for one in expected),
        chi_square=chi_square,
        degrees=degrees,
        chance=chance_beyond(chi_square, degrees),
    )


def event_days(spells: Spells) -> list[Day]:
    """Return the days on which something happened, in order.

    Raises
    ------
    OutcomeError
        A spell is of less than 0 days.
    """
    ends: dict[int, Counter[str]] = {}
    for spell, count in Counter(spells).items():
        if spell.days < 0:
            raise OutcomeError("A patient was last seen before the treatment. Correct the dates.")
        ends.setdefault(spell.days, Counter())[spell.ended_by] += count
    at_risk = sum(sum(ended.values()) for ended in ends.values())
    found: list[Day] = []
    for days, ended in sorted(ends.items()):
        causes = {cause: count for cause, count in ended.items() if cause and count}
        if causes:
            found.append(Day(days, at_risk, causes))
        at_risk -= sum(ended.values())
    return found


def count_at_risk(spells: Spells, days: Sequence[int]) -> list[int]:
    """Return how many were still watched, without an event before, on each of some days."""
    counted = Counter(spells)
    return [sum(count for spell, count in counted.items() if spell.days >= day) for day in days]


class _Table:
    """At risk and events of one group on any day."""

    def __init__(self, spells: Spells) -> None:
        self._spells = Counter(spells)
        self._events = {day.days: day.happened for day in event_days(spells)}

    def at(self, days: int) -> tuple[int, int]:
        """Return how many were at risk on a day, and to how many of them it happened."""
        (at_risk,) = count_at_risk(self._spells, [days])
        return at_risk, self._events.get(days, 0)
