"""Generalises what others may know of a patient until five share it, or holds it back. Pure.

One step for the whole table, not row by row, so that every row is read in the same way
(k-anonymity by full-domain generalisation: Sweeney 2002, Int J Uncertain Fuzz 10:557-70).
"""

from collections import Counter
from collections.abc import Sequence

import msgspec

from api.registry.suppress_small import FEWEST

# [HAZ-49] Unit setting (project default), as common practice of health registers has it.
K = FEWEST
# Rather a coarser table than one of which more than every twentieth row is held back.
MOST_HELD_BACK_PER_MILLE = 50


class Traits(msgspec.Struct, frozen=True):
    """What others may know of a patient; None where it is not recorded."""

    unit: str
    birth_year: int | None
    sex: str | None
    treated_on: str


class Step(msgspec.Struct, frozen=True):
    """How coarsely the traits are told.

    Parameters
    ----------
    years : int
        Width of the band of birth years, 0 for none.
    period : str
        "quarter", "half", "year", or "" for none.
    """

    years: int
    period: str
    with_unit: bool
    with_sex: bool

    def say(self) -> str:
        """Return the step in words."""
        parts = [
            f"birth within {self.years} years" if self.years else "no birth year",
            f"{self.period} of treatment" if self.period else "no time of treatment",
            "unit" if self.with_unit else "no unit",
            "sex" if self.with_sex else "no sex",
        ]
        return ", ".join(parts)


# From the finest to none at all; a trait is given up in the order in which it helps research least.
LADDER = (
    Step(5, "quarter", True, True),
    Step(10, "quarter", True, True),
    Step(10, "half", True, True),
    Step(10, "year", True, True),
    Step(20, "year", True, True),
    Step(20, "", True, True),
    # Which cases are of one unit is worth more to research than birth within 20 years, or sex.
    Step(0, "year", True, True),
    Step(0, "", True, True),
    Step(0, "", True, False),
    Step(20, "year", False, True),
    Step(20, "", False, True),
    Step(0, "", False, True),
    Step(0, "", False, False),
)
Told = tuple[str | None, str | None, str | None, str | None]
HELD_BACK: Told = (None, None, None, None)


def generalise(traits: Sequence[Traits], kept: Step | None = None) -> tuple[Step, list[Told]]:
    """Return the finest step at which few are held back, and what of each is told (DX3).

    Parameters
    ----------
    kept : Step or None
        The one at which the project was told before: bands of two steps, read together, would
        be finer than either. However many are held back, it stays.

    Returns
    -------
    tuple
        The step, and for each in order unit, band of birth years, sex and period of treatment:
        shared by at least five, or all of them None.
    """
    most = len(traits) * MOST_HELD_BACK_PER_MILLE // 1_000
    for step in LADDER if kept is None else (kept,):
        told = [_tell(one, step) for one in traits]
        sizes = Counter(told)
        if kept is not None or sum(sizes[one] < K for one in told) <= most:
            return step, [one if sizes[one] >= K else HELD_BACK for one in told]
    return LADDER[-1], [HELD_BACK for _ in traits]


def _tell(one: Traits, step: Step) -> Told:
    return (
        one.unit if step.with_unit else None,
        _band(one.birth_year, step.years),
        one.sex if step.with_sex else None,
        _period(one.treated_on, step.period),
    )


def _band(year: int | None, years: int) -> str | None:
    if year is None or not years:
        return None
    first = year - year % years
    return f"{first:04d}-{first + years - 1:04d}"


def _period(on: str, period: str) -> str | None:
    if not on or not period:
        return None
    year, month = on[:4], int(on[5:7])
    if period == "year":
        return year
    if period == "half":
        return f"{year}-H{(month + 5) // 6}"
    return f"{year}-Q{(month + 2) // 3}"
