"""Pairs of records that may be one person, by chance and with what speaks for and against."""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from itertools import combinations
from typing import TypeVar

import msgspec

from api.linkage.fellegi_sunter import (
    Model,
    Pattern,
    chance_of_pattern,
    learn_model,
    weigh_pattern,
)
from api.linkage.linker import Linker, TraitWords

T = TypeVar("T")
# A key that so many share tells nothing; whoever is alike shares another one as well.
LARGEST_BLOCK = 200


class Reason(msgspec.Struct, frozen=True):
    """One line of why: the trait, how alike it is, and the bits that this adds."""

    trait: str
    level: str
    bits: float


class Pair(msgspec.Struct, frozen=True):
    """Two records that may be one person; ``chance`` is 0 to 1."""

    one: str
    other: str
    chance: float
    reasons: tuple[Reason, ...]


class Compared(msgspec.Struct, frozen=True):
    """The pairs that were compared at all, with their patterns."""

    traits: tuple[TraitWords, ...]
    pairs: tuple[tuple[str, str], ...]
    patterns: tuple[Pattern, ...]

    def learn(self) -> Model:
        """Learn a model from these pairs alone.

        Raises
        ------
        ValueError
            There is no pair to learn from.
        """
        return learn_model(self.patterns, [len(trait.levels) for trait in self.traits])


def compare_sites(linker: Linker[T], ours: Sequence[T], theirs: Sequence[T]) -> Compared:
    """Compare every record of one list with those of another that share a key with it."""
    left = {linker.name_of(record): record for record in ours}
    right = {linker.name_of(record): record for record in theirs}
    held: dict[tuple[str, ...], list[str]] = defaultdict(list)
    for name, record in right.items():
        for key in linker.keys_of(record):
            held[key].append(name)
    met = {
        (name, other): None
        for name, record in left.items()
        for key in linker.keys_of(record)
        if len(held.get(key, ())) <= LARGEST_BLOCK
        for other in held.get(key, ())
    }
    patterns = tuple(linker.compare(left[one], right[other]) for one, other in met)
    return Compared(linker.traits, tuple(met), patterns)


def compare_within(linker: Linker[T], records: Sequence[T]) -> Compared:
    """Compare the records of one list that share a key, each pair once, its names sorted."""
    held: dict[tuple[str, ...], list[str]] = defaultdict(list)
    named = {linker.name_of(record): record for record in records}
    for name in sorted(named):
        for key in dict.fromkeys(linker.keys_of(named[name])):
            held[key].append(name)
    met = {
        pair: None
        for names in held.values()
        if len(names) <= LARGEST_BLOCK
        for pair in combinations(names, 2)
    }
    patterns = tuple(linker.compare(named[one], named[other]) for one, other in met)
    return Compared(linker.traits, tuple(met), patterns)


def find_pairs(compared: Compared, model: Model, *, least_chance: float) -> list[Pair]:
    """Return the pairs at or above a chance, the likeliest first."""
    found = [
        Pair(one, other, chance, _reasons(compared.traits, model, pattern))
        for (one, other), pattern in zip(compared.pairs, compared.patterns, strict=True)
        if (chance := chance_of_pattern(model, pattern)) >= least_chance
    ]
    return sorted(found, key=lambda pair: (-pair.chance, -_bits(pair), pair.one, pair.other))


def keep_best(pairs: Sequence[Pair]) -> Iterator[Pair]:
    """Yield pairs so that each record stands in one at most, the likeliest first.

    For two lists that each hold a person once.
    """
    taken_ours: set[str] = set()
    taken_theirs: set[str] = set()
    for pair in pairs:
        if pair.one not in taken_ours and pair.other not in taken_theirs:
            taken_ours.add(pair.one)
            taken_theirs.add(pair.other)
            yield pair


def _reasons(traits: tuple[TraitWords, ...], model: Model, pattern: Pattern) -> tuple[Reason, ...]:
    weighed = sorted(weigh_pattern(model, pattern), key=lambda weight: -abs(weight.bits))
    return tuple(
        Reason(traits[one.trait].name, traits[one.trait].levels[one.level], one.bits)
        for one in weighed
    )


def _bits(pair: Pair) -> float:
    return sum(reason.bits for reason in pair.reasons)
