"""Where a unit stands when its counts, and those of all, are told to the nearest five. Pure.

Ten of thirty may have been eight of twenty-six: a standing is told only where all counts that are
told so agree on it (OC8) [HAZ-49].
"""

from itertools import product

from api.outcomes.funnel import Standing, find_limits, judge_share
from api.registry.round_counts import counts_told_as

Told = tuple[int, int]
_HIGH: frozenset[Standing] = frozenset({"alert-high", "alarm-high"})
_LOW: frozenset[Standing] = frozenset({"alert-low", "alarm-low"})


def judge_rounded(unit: Told, overall: Told) -> Standing:
    """Return where a unit stands for certain, else ``near-limit``.

    Parameters
    ----------
    unit, overall : (int, int)
        To how many cases of the unit, and of all, it happened and to how many not, as told.

    Notes
    -----
    Rule OC8. Beyond the limits of 95 % for certain, and perhaps beyond those of 99.8 %, is the
    former. Limits rise with the rate of all, so that the least and the greatest rate bound them.
    """
    rates = _rates(overall)
    found: set[Standing] = set()
    for happened, did_not in product(*map(counts_told_as, unit)):
        cases = happened + did_not
        if cases == 0:
            return "not-judged"
        found |= {judge_share(happened / cases, find_limits(cases, rate)) for rate in rates}
        if "not-judged" in found:
            return "not-judged"
    if len(found) == 1:
        return found.pop()
    if found <= _HIGH:
        return "alert-high"
    return "alert-low" if found <= _LOW else "near-limit"


def _rates(overall: Told) -> tuple[float, float]:
    """Return the least and the greatest rate that is told so."""
    happened, did_not = (counts_told_as(one) for one in overall)
    fewest, most = happened[0] + did_not[-1], happened[-1] + did_not[0]
    return happened[0] / fewest if fewest else 0.0, happened[-1] / most if most else 0.0
