"""Sums that rise while more happens than the risk of each case explains. Pure.

Plain: Page 1954 (Biometrika 41:100-15). Risk-adjusted: Steiner, Cook, Farewell and Treasure 2000
(Biostatistics 1:441-52; the weights from memory). A limit is no number to be taken from a paper: it
follows from the risks of the cases and from how seldom a false signal may come, `run_length`.
"""

import math
from collections.abc import Sequence

import msgspec
import numpy as np

from api.outcomes.proportions import OutcomeError

STATES = 400


class CusumStep(msgspec.Struct, frozen=True, kw_only=True):
    """The sum after one case; a signal begins the sum anew with the next case."""

    number: int
    weight: float
    sum: float
    is_signal: bool


def follow_rate(happened: Sequence[bool], *, acceptable: float, limit: float) -> list[CusumStep]:
    """Return the plain sum: what happened less the rate that is acceptable, never below 0.

    Raises
    ------
    OutcomeError
        The rate is none, or the limit is not above 0.
    """
    _refuse_odd([acceptable], limit)
    return _follow([(1.0 if one else 0.0) - acceptable for one in happened], limit)


def follow_risks(
    cases: Sequence[tuple[float, bool]], *, limit: float, odds: float = 2.0, odds_now: float = 1.0
) -> list[CusumStep]:
    """Return the risk-adjusted sum.

    Parameters
    ----------
    cases : sequence of (risk, happened)
        In the order in which they were treated; the risk of each by its own case mix.
    odds, odds_now : float
        Ratio of odds that is looked for, and the one that is held to be so.

    Raises
    ------
    OutcomeError
        A risk is none, a ratio is not above 0, or the limit is not.
    """
    _refuse_odd([risk for risk, _ in cases], limit)
    return _follow(
        [weigh_case(risk, happened, odds=odds, odds_now=odds_now) for risk, happened in cases],
        limit,
    )


def weigh_case(risk: float, happened: bool, *, odds: float, odds_now: float = 1.0) -> float:
    """Return the log-likelihood ratio of one case.

    Raises
    ------
    OutcomeError
        A ratio of odds is not above 0.
    """
    if odds <= 0 or odds_now <= 0:
        raise OutcomeError("Ratios of odds are above 0. Give such as 2 for twice the odds.")
    ratio = (1 - risk + odds_now * risk) / (1 - risk + odds * risk)
    return math.log(ratio * (odds / odds_now)) if happened else math.log(ratio)


def run_length(
    risks: Sequence[float], *, limit: float, odds: float = 2.0, true_odds: float = 1.0
) -> float:
    """Return after how many cases, on average, the risk-adjusted sum signals.

    Parameters
    ----------
    risks : sequence of float
        Of the cases that come, each as likely as the other.
    true_odds : float
        1 while nothing is wrong: then a long run is wanted. `odds` where it is: a short one.

    Raises
    ------
    OutcomeError
        There is no risk, or one is none; or the sum never signals.

    Notes
    -----
    By a chain of `STATES` stretches of the sum, Brook and Evans 1972 (Biometrika 59:539-49).
    """
    _refuse_odd(risks, limit)
    if not risks:
        raise OutcomeError("Give the risks of some cases: a run length follows from them.")
    width = limit / (STATES - 0.5)
    moves = np.zeros((STATES, STATES))
    middles = np.arange(STATES) * width
    for risk in risks:
        odds_of = true_odds * risk / (1 - risk) if risk < 1 else math.inf
        chance = 1.0 if math.isinf(odds_of) else odds_of / (1 + odds_of)
        for happened, likely in ((True, chance), (False, 1 - chance)):
            reached = middles + weigh_case(risk, happened, odds=odds)
            to = np.maximum(np.floor(reached / width + 0.5), 0).astype(int)
            stays = to < STATES
            moves[np.arange(STATES)[stays], to[stays]] += likely / len(risks)
    try:
        found = np.linalg.solve(np.eye(STATES) - moves, np.ones(STATES))
    except np.linalg.LinAlgError as error:
        raise OutcomeError("With these risks the sum never signals. Lower the limit.") from error
    return float(found[0])


def _follow(weights: Sequence[float], limit: float) -> list[CusumStep]:
    steps: list[CusumStep] = []
    held = 0.0
    for number, weight in enumerate(weights, start=1):
        held = max(0.0, held + weight)
        is_signal = held >= limit
        steps.append(CusumStep(number=number, weight=weight, sum=held, is_signal=is_signal))
        held = 0.0 if is_signal else held
    return steps


def _refuse_odd(risks: Sequence[float], limit: float) -> None:
    if any(not 0 <= risk <= 1 for risk in risks):
        raise OutcomeError("A risk lies between 0 and 1. Correct the one that does not.")
    if limit <= 0:
        raise OutcomeError("A limit of a sum lies above 0. Set it by the run length wanted.")
