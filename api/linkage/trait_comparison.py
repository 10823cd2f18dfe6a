"""How alike two records of persons are, trait by trait, as a few levels in words."""

from collections.abc import Callable

import msgspec
from rapidfuzz.distance import OSA, JaroWinkler

from api.linkage.linker import Linker, TraitWords
from api.linkage.person_traits import Person, blocking_keys, house_of, street_of

# Below, two names are two names; from the second on they are one name, misspelled.
NAME_NEAR = 0.80
NAME_ALIKE = 0.92
TEXT_NEAR = 0.70
TEXT_ALIKE = 0.90
_MONTH_AND_DAY = 5
_TWO_SLIPS = 2


class Trait(msgspec.Struct, frozen=True):
    """One thing that is compared; ``levels`` in words, from unlike to the same.

    The first of `TRAITS` is no trait of a record but of the pair: `compare_persons` finds it.
    """

    name: str
    levels: tuple[str, ...]
    compare: Callable[[Person, Person], int | None]


def compare_persons(a: Person, b: Person) -> tuple[int | None, ...]:
    """Return the level of each of `TRAITS`; None where either record does not say.

    Parameters
    ----------
    a, b : Person
        As `fold_person` returns them. The order makes no difference.
    """
    is_swapped = _are_swapped(a, b)
    if is_swapped:
        b = msgspec.structs.replace(b, family_name=b.given_name, given_name=b.family_name)
    order = None if is_swapped is None else int(not is_swapped)
    family, given, *others = (trait.compare(a, b) for trait in TRAITS[1:])
    if is_swapped and family is not None and given is not None:
        # Which of the two records has them right is not known: the lesser stands first.
        family, given = sorted((family, given))
    return (order, family, given, *others)


def _are_swapped(a: Person, b: Person) -> bool | None:
    """Say whether first and last name were swapped in one of two records.

    They are then compared crosswise: each by itself would speak against one person.
    """
    if not (a.family_name and a.given_name and b.family_name and b.given_name):
        return None
    likeness = JaroWinkler.similarity
    crossed = (
        likeness(a.family_name, b.given_name),
        likeness(a.given_name, b.family_name),
    )
    straight = (
        likeness(a.family_name, b.family_name),
        likeness(a.given_name, b.given_name),
    )
    return max(crossed) >= NAME_ALIKE and sum(crossed) > sum(straight)


def _compare_name(one: str, other: str) -> int | None:
    if not one or not other:
        return None
    if one == other:
        return 3
    likeness = JaroWinkler.similarity(one, other)
    return 2 if likeness >= NAME_ALIKE else 1 if likeness >= NAME_NEAR else 0


def _compare_text(one: str, other: str) -> int | None:
    if not one or not other:
        return None
    if one == other:
        return 3
    likeness = JaroWinkler.similarity(one, other)
    return 2 if likeness >= TEXT_ALIKE else 1 if likeness >= TEXT_NEAR else 0


def _compare_dates(a: Person, b: Person) -> int | None:
    one, other = a.born_on, b.born_on
    if not one or not other:
        return None
    if one == other:
        return 3
    is_swapped = one[:4] == other[:4] and one[5:7] == other[8:] and one[8:] == other[5:7]
    if is_swapped or OSA.distance(one, other) == 1:
        return 2
    is_near = one[:4] == other[:4] or one[-_MONTH_AND_DAY:] == other[-_MONTH_AND_DAY:]
    return 1 if is_near or OSA.distance(one, other) <= _TWO_SLIPS else 0


def _compare_numbers(one: str, other: str) -> int | None:
    if not one or not other:
        return None
    if one == other:
        return 2
    return 1 if OSA.distance(one, other) == 1 else 0


_SAME_OR_NOT = ("unlike", "one sign differs", "the same")
_HOW_ALIKE = ("unlike", "near", "alike", "the same")

TRAITS = (
    Trait("order of names", ("swapped", "as written"), lambda _a, _b: None),
    Trait("family name", _HOW_ALIKE, lambda a, b: _compare_name(a.family_name, b.family_name)),
    Trait("given name", _HOW_ALIKE, lambda a, b: _compare_name(a.given_name, b.given_name)),
    Trait("day of birth", ("unlike", "near", "one slip", "the same"), _compare_dates),
    Trait(
        "sex",
        ("unlike", "the same"),
        lambda a, b: None if not a.sex or not b.sex else int(a.sex == b.sex),
    ),
    Trait("national number", _SAME_OR_NOT, lambda a, b: _compare_numbers(a.national, b.national)),
    Trait(
        "street",
        _HOW_ALIKE,
        lambda a, b: _compare_text(street_of(a.address), street_of(b.address)),
    ),
    Trait(
        "house number",
        _SAME_OR_NOT,
        lambda a, b: _compare_numbers(house_of(a.address), house_of(b.address)),
    ),
    Trait("place", _HOW_ALIKE, lambda a, b: _compare_text(a.place, b.place)),
    Trait("postcode", _SAME_OR_NOT, lambda a, b: _compare_numbers(a.postcode, b.postcode)),
    Trait("telephone", _SAME_OR_NOT, lambda a, b: _compare_numbers(a.phone, b.phone)),
)

# Records are folded by `fold_person` before they are linked.
PLAIN: Linker[Person] = Linker(
    traits=tuple(TraitWords(trait.name, trait.levels) for trait in TRAITS),
    name_of=lambda person: person.id,
    keys_of=blocking_keys,
    compare=compare_persons,
)
