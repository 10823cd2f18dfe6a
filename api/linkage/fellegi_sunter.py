"""Weighs how alike two records are: what speaks for the same person, what against, and how much.

Fellegi and Sunter 1969, "A Theory for Record Linkage", JASA 64:1183-1210. The chances are learnt
without a person's help by expectation maximisation (Dempster, Laird and Rubin 1977, J R Stat Soc B
39:1-38), one trait independent of the other within pairs that match and within those that do not
(Winkler 1988, Proc. Survey Research Methods, ASA, 667-671).
"""

import math
from collections import Counter
from collections.abc import Iterable, Sequence

import msgspec
import numpy as np
from numpy.typing import NDArray

Pattern = tuple[int | None, ...]
Floats = NDArray[np.float64]

MOST_ROUNDS = 200
SMALLEST_STEP = 1e-7
# So that a level that was never seen is unlikely and not impossible.
_ADDED = 0.5
_FIRST_SHARE = 0.1
_FIRST_SAME = 0.9


class TraitChances(msgspec.Struct, frozen=True):
    """How often each level comes up in pairs of one person, and in pairs of two."""

    if_same: tuple[float, ...]
    if_other: tuple[float, ...]


class Model(msgspec.Struct, frozen=True):
    """Chances of each trait, and the share of pairs that are of one person."""

    traits: tuple[TraitChances, ...]
    share: float
    rounds: int


class Weight(msgspec.Struct, frozen=True):
    """What one trait adds to the score, in bits: above 0 speaks for one person, below against."""

    trait: int
    level: int
    bits: float


def learn_model(patterns: Iterable[Pattern], levels: Sequence[int]) -> Model:
    """Learn the chances from the patterns of compared pairs.

    Parameters
    ----------
    levels : sequence of int
        How many levels each trait has.

    Raises
    ------
    ValueError
        There is no pair to learn from.
    """
    counted = Counter(patterns)
    if not counted:
        raise ValueError("There is no pair to learn from.")
    counts = np.array(list(counted.values()), dtype=np.float64)
    marks = [_marks_of(list(counted), trait, levels[trait]) for trait in range(len(levels))]
    share = _FIRST_SHARE
    chances = [_first_chances(mark, counts) for mark in marks]
    rounds = 0
    while rounds < MOST_ROUNDS:
        rounds += 1
        same = _posterior(marks, chances, share) * counts
        other = counts - same
        learnt = [(_chances_of(mark, same), _chances_of(mark, other)) for mark in marks]
        step = max(
            float(np.abs(new - old).max())
            for pair, former in zip(learnt, chances, strict=True)
            for new, old in zip(pair, former, strict=True)
        )
        chances = learnt
        share = float(same.sum() / counts.sum())
        if step < SMALLEST_STEP:
            break
    traits = tuple(
        TraitChances(tuple(map(float, if_same)), tuple(map(float, if_other)))
        for if_same, if_other in chances
    )
    return Model(traits, share, rounds)


def weigh_pattern(model: Model, pattern: Pattern) -> tuple[Weight, ...]:
    """Return what each known trait of a pair adds, in bits."""
    return tuple(
        Weight(place, level, math.log2(trait.if_same[level] / trait.if_other[level]))
        for place, (level, trait) in enumerate(zip(pattern, model.traits, strict=True))
        if level is not None
    )


def chance_of_pattern(model: Model, pattern: Pattern) -> float:
    """Return the chance that a pair is one person, 0 to 1."""
    bits = math.log2(model.share / (1 - model.share))
    bits += math.fsum(weight.bits for weight in weigh_pattern(model, pattern))
    return 1 / (1 + 2 ** min(max(-bits, -1_000), 1_000))


def _marks_of(patterns: list[Pattern], trait: int, levels: int) -> Floats:
    """Return a row a pattern: 1 at its level, and nothing but 0 where the trait is not known."""
    marks = np.zeros((len(patterns), levels))
    for row, pattern in enumerate(patterns):
        level = pattern[trait]
        if level is not None:
            marks[row, level] = 1
    return marks


def _first_chances(marks: Floats, counts: Floats) -> tuple[Floats, Floats]:
    levels = marks.shape[1]
    same = np.full(levels, (1 - _FIRST_SAME) / (levels - 1))
    same[-1] = _FIRST_SAME
    return same, _chances_of(marks, counts)


def _chances_of(marks: Floats, weights: Floats) -> Floats:
    seen = weights @ marks + _ADDED
    chances: Floats = seen / seen.sum()
    return chances


def _posterior(marks: list[Floats], chances: list[tuple[Floats, Floats]], share: float) -> Floats:
    """Return for each pattern the chance that it is of one person."""
    bits = np.full(marks[0].shape[0], math.log(share / (1 - share)))
    for mark, (if_same, if_other) in zip(marks, chances, strict=True):
        bits += mark @ np.log(if_same / if_other)
    posterior: Floats = 1 / (1 + np.exp(-np.clip(bits, -500, 500)))
    return posterior
