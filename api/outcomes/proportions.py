"""How sure a share of few cases is: intervals of a proportion, and tails of two distributions.

Wilson 1927 (JASA 22:209-12) for display, Clopper and Pearson 1934 (Biometrika 26:404-13) where the
coverage has to be guaranteed. Published.
"""

import math
from statistics import NormalDist

LEVEL = 0.95


class OutcomeError(ValueError):
    """Numbers that no statistics can be made of; the sentence says what to correct."""


def score_interval(happened: int, of: int, level: float = LEVEL) -> tuple[float, float]:
    """Return the interval of Wilson, without correction for continuity.

    Raises
    ------
    OutcomeError
        There is no case, or more happened than there are cases.
    """
    _refuse_impossible(happened, of, level)
    z = normal_quantile(level)
    share, spread = happened / of, z * z / of
    middle = share + spread / 2
    half = z * math.sqrt(share * (1 - share) / of + spread / (4 * of))
    # At both ends the bound is the share itself, which the difference misses by a rounding.
    low = (middle - half) / (1 + spread) if happened else 0.0
    high = (middle + half) / (1 + spread) if happened < of else 1.0
    return low, high


def exact_interval(happened: int, of: int, level: float = LEVEL) -> tuple[float, float]:
    """Return the interval of Clopper and Pearson.

    Raises
    ------
    OutcomeError
        There is no case, or more happened than there are cases.
    """
    # It takes a while to load, and most of what imports this module needs it never.
    from scipy.special import betaincinv  # type: ignore[import-untyped]

    _refuse_impossible(happened, of, level)
    tail = (1 - level) / 2
    lower = float(betaincinv(happened, of - happened + 1, tail)) if happened else 0.0
    upper = float(betaincinv(happened + 1, of - happened, 1 - tail)) if happened < of else 1.0
    return lower, upper


def normal_quantile(level: float) -> float:
    """Return how many standard errors an interval of a level reaches to each side."""
    return NormalDist().inv_cdf((1 + level) / 2)


def chance_beyond(chi_square: float, degrees: int) -> float:
    """Return the upper tail of the chi-square distribution, by its recurrence in the degrees."""
    half = max(chi_square, 0.0) / 2
    shape = 0.5 if degrees % 2 else 1.0
    tail = math.erfc(math.sqrt(half)) if degrees % 2 else math.exp(-half)
    while shape < degrees / 2:
        if half > 0:
            tail += math.exp(shape * math.log(half) - half - math.lgamma(shape + 1))
        shape += 1
    return tail


def _refuse_impossible(happened: int, of: int, level: float) -> None:
    if of < 1 or not 0 <= happened <= of:
        message = f"{happened} of {of} is no share. Count cases and those of them it happened to."
        raise OutcomeError(message)
    if not 0 < level < 1:
        message = f"{level} is no level. Give one between 0 and 1, such as 0.95."
        raise OutcomeError(message)
