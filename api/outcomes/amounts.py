"""Median and quartiles of numbers that are counted, not listed. Pure."""

import itertools
from collections.abc import Mapping


def find_quartiles(counts: Mapping[int, int]) -> tuple[float, float, float] | None:
    """Return the lower quartile, the median and the upper one; None where nothing is counted.

    Where a quarter falls between two numbers it is the middle of both.

    Parameters
    ----------
    counts : mapping
        How often each number occurs.

    Examples
    --------
    >>> find_quartiles({1: 1, 2: 1, 3: 2})
    (1.5, 2.5, 3.0)
    """
    held = sorted((number, count) for number, count in counts.items() if count > 0)
    total = sum(count for _, count in held)
    if total == 0:
        return None

    def at(place: int) -> int:
        so_far = itertools.accumulate(count for _, count in held)
        return next(number for (number, _), past in zip(held, so_far, strict=True) if place < past)

    def quartile(quarter: int) -> float:
        whole, part = divmod(total * quarter, 4)
        return float(at(whole)) if part else (at(whole - 1) + at(whole)) / 2

    return quartile(1), quartile(2), quartile(3)
