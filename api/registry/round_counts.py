"""Counts told to the nearest five, so that two answers tell no group between them [HAZ-49]. Pure.

Two groups of which one lies in the other tell those by whom they differ, however large both are.
Where every count is told to the nearest five, a difference of one to four is told as none or as
five, and so may be any other from none to nine.
"""

import math

from api.registry.suppress_small import is_small

# [HAZ-49] Unit setting (project default); that health statistics are told so is common practice.
STEP = 5


def round_count(count: int) -> int:
    """Return the nearest multiple of five.

    Examples
    --------
    >>> [round_count(one) for one in (0, 2, 3, 7, 8, 31)]
    [0, 0, 5, 5, 10, 30]
    """
    return (count + STEP // 2) // STEP * STEP


def counts_told_as(told: int) -> list[int]:
    """Return every count that is told as a multiple of five; from 1 to 4 none is told at all.

    Examples
    --------
    >>> counts_told_as(0), counts_told_as(5), counts_told_as(30)
    ([0], [5, 6, 7], [28, 29, 30, 31, 32])
    """
    near = range(max(0, told - STEP // 2), told + STEP // 2 + 1)
    return [one for one in near if not is_small(one)]


def round_share(share: float, cases: int, *, towards: int = 0) -> float:
    """Return a share in steps of five cases: told finer, it would tell of how many it is one.

    Parameters
    ----------
    cases : int
        Of how many it is a share, as it is told.
    towards : int
        0 for the nearest step, 1 for the next above, -1 for the next below.

    Examples
    --------
    >>> round_share(1 - 5 / 41, 40), round_share(0.3, 40, towards=1)
    (0.875, 0.375)
    """
    steps = max(1, cases // STEP)
    # Reckoning leaves a share that is a step a hair beside it.
    place = round(share * steps, 9)
    whole = round(place) if towards == 0 else math.ceil(place) if towards > 0 else math.floor(place)
    return min(1.0, max(0.0, whole / steps))
