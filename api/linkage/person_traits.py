"""What is compared of a person, and the keys under which records are brought together at all."""

import re
from collections.abc import Iterator

import msgspec

from api.linkage.name_sounds import fold_text, sound_of

_DIGITS = re.compile(r"[0-9]+")
_STREET_START = 5


class Person(msgspec.Struct, frozen=True, kw_only=True):
    """One record of a person; "" is not known, and never counts for or against a pair.

    ``born_on`` is YYYY-MM-DD, ``national`` a number that passed `check_national_number`, ``id``
    whatever names the record.
    """

    id: str
    family_name: str = ""
    given_name: str = ""
    born_on: str = ""
    sex: str = ""
    national: str = ""
    address: str = ""
    place: str = ""
    postcode: str = ""
    phone: str = ""


def fold_person(person: Person) -> Person:
    """Return a person with every text in plain letters, which is what comparisons are made of."""
    return msgspec.structs.replace(
        person,
        family_name=fold_text(person.family_name),
        given_name=fold_text(person.given_name),
        address=fold_text(person.address),
        place=fold_text(person.place),
        postcode=fold_text(person.postcode).replace(" ", ""),
        phone="".join(sign for sign in person.phone if sign.isdigit())[-9:],
    )


def street_of(address: str) -> str:
    """Return the words of a folded address that hold no digit."""
    return " ".join(word for word in address.split() if not _DIGITS.search(word))


def house_of(address: str) -> str:
    """Return the first number of a folded address, "" where it has none."""
    found = _DIGITS.search(address)
    return found[0] if found else ""


def blocking_keys(person: Person) -> Iterator[tuple[str, ...]]:
    """Yield the keys of a folded person: two records with none in common are never compared.

    Each key leaves out what another relies on, so that one slip of the pen hides nobody.
    """
    family = sound_of(person.family_name.replace(" ", ""))
    given = sound_of(person.given_name.replace(" ", ""))
    year, month, day = (*person.born_on.split("-"), "", "", "")[:3]
    if person.national:
        yield ("national", person.national)
    if person.born_on:
        yield ("born", person.born_on)
        if family:
            yield ("family, year", family, year)
            yield ("family, day", family, month, day)
        if given:
            yield ("given, year", given, year)
            yield ("given, day", given, month, day)
    if family and given:
        # Sorted: first and last name are swapped more often than a name is shared.
        yield ("names", *sorted((family, given)))
    for name in sorted({family, given} - {""}):
        # Either name, whichever it was written as.
        if person.postcode:
            yield ("a name, postcode", name, person.postcode)
        if person.place:
            yield ("a name, place", name, person.place)
    street = street_of(person.address)
    if street and person.postcode:
        yield ("street, postcode", street[:_STREET_START], person.postcode)
    if street and person.place:
        yield ("street, place", street[:_STREET_START], person.place)
    if person.phone:
        yield ("phone", person.phone)
