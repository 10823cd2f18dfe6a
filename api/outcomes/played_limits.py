"""The limit of a risk-adjusted sum, found by playing many runs in which nothing is wrong. Pure.

No table of limits fits: it follows from the risks of the unit's own cases (Steiner et al. 2000,
Biostatistics 1:441-52). Chance begins with a number that is stated, so the same mix of risks has
the same limit wherever it is played.
"""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from api.outcomes.cusum import weigh_case
from api.outcomes.definitions import Sums
from api.outcomes.proportions import OutcomeError

# A mix of risks is told by so many of its quantiles, each to three digits.
_QUANTILES = 50


def pool_risks(groups: Mapping[Any, tuple[int, int]], prior_cases: int) -> Mapping[Any, float]:
    """Return the risk of each group from its happened and judged cases, drawn towards the mean.

    Returns
    -------
    mapping
        Empty where nothing was judged.
    """
    happened = sum(one for one, _ in groups.values())
    judged = sum(of for _, of in groups.values())
    if judged == 0:
        return {}
    mean = happened / judged
    return {
        group: (one + prior_cases * mean) / (of + prior_cases)
        for group, (one, of) in groups.items()
        if of or prior_cases
    }


def mix_of(risks: Sequence[float]) -> tuple[float, ...]:
    """Return the quantiles that stand for the risks of some cases."""
    held = sorted(risks)
    return tuple(
        round(held[(2 * place + 1) * len(held) // (2 * _QUANTILES)], 3)
        for place in range(_QUANTILES if held else 0)
    )


def play_limit(mix: Sequence[float], by: Sums) -> float:
    """Return the least limit that at most the stated share of runs reach without cause.

    Raises
    ------
    OutcomeError
        There is no risk, or one is none.
    """
    if not mix or any(not 0 <= risk <= 1 for risk in mix):
        raise OutcomeError("Give the risks of some cases, each between 0 and 1.")
    chance = np.random.default_rng(by.seed)
    risks = np.array(mix)
    weights = np.array(
        [[weigh_case(risk, happened, odds=by.odds) for risk in mix] for happened in (False, True)]
    )
    held, most = np.zeros(by.plays), np.zeros(by.plays)
    for _ in range(by.cases):
        cases = chance.integers(len(mix), size=by.plays)
        happened = (chance.random(by.plays) < risks[cases]).astype(int)
        held = np.maximum(0.0, held + weights[happened, cases])
        most = np.maximum(most, held)
    reached = np.sort(most)[::-1]
    allowed = by.plays * by.false_per_mille // 1_000
    # Above the highest sum that one run too many has reached; runs end on few values.
    limit = float(reached[min(allowed, by.plays - 1)])
    above = reached[reached > limit]
    return float(above.min()) if above.size else limit + 1e-9
