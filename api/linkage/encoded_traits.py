"""Traits of a person in a form from which no name can be read without the key of the network.

For sites that may not send names. A number that has to be the same is a keyed hash (HMAC-SHA-256,
RFC 2104). A name, where one slip must not hide a person, is a keyed Bloom filter over its pairs of
letters (Schnell, Bachteler and Reiher 2009, BMC Med Inform Decis Mak 9:41), compared by Dice's
coefficient. Filters of names can be guessed at by how often names occur: they are pseudonymised,
not anonymous, and go to a hub that has agreed to keep them so.
"""

import hashlib
import hmac

import msgspec

from api.linkage.linker import Linker, TraitWords
from api.linkage.name_sounds import fold_text, sound_of
from api.linkage.person_traits import Person, fold_person

BITS = 1_024
HASHES_A_PAIR = 20
_PAD = "_"
_SALT_LENGTH = 4


class EncodedPerson(msgspec.Struct, frozen=True, kw_only=True):
    """A person without names; "" or 0 is not known.

    ``keys`` are hashes under which records are brought together, ``names`` a filter of `BITS` bits.
    """

    id: str
    national: str = ""
    born: str = ""
    birth_year: str = ""
    sex: str = ""
    names: int = 0
    keys: tuple[str, ...] = ()


def encode_person(person: Person, key: bytes) -> EncodedPerson:
    """Return what may be sent of a person.

    Parameters
    ----------
    key : bytes
        The network's, held by its sites and never by the hub; at least 16 bytes.

    Raises
    ------
    ValueError
        The key is too short to keep a guess out.
    """
    if len(key) < hashlib.sha256().block_size // _SALT_LENGTH:
        raise ValueError("The key of the network has at least 16 bytes. Make a new one.")
    plain = fold_person(person)
    year = plain.born_on[:4]
    sounds = sorted(
        sound_of(name.replace(" ", "")) for name in (plain.family_name, plain.given_name)
    )
    keys = [
        _hash(key, "born", plain.born_on) if plain.born_on else "",
        *(_hash(key, "sound, year", f"{sound} {year}") for sound in sounds if sound and year),
        _hash(key, "sounds", " ".join(sounds)) if all(sounds) else "",
    ]
    return EncodedPerson(
        id=person.id,
        national=_hash(key, "national", person.national) if person.national else "",
        born=_hash(key, "born", plain.born_on) if plain.born_on else "",
        birth_year=year,
        sex=plain.sex,
        # Both names in one filter: which is first is often swapped, and one filter tells less.
        names=encode_text(f"{plain.family_name} {plain.given_name}", key),
        keys=tuple(dict.fromkeys(one for one in keys if one)),
    )


def encode_text(text: str, key: bytes) -> int:
    """Return the Bloom filter of a text's pairs of letters, word by word; 0 for an empty one."""
    bits = 0
    for word in fold_text(text).split():
        padded = f"{_PAD}{word}{_PAD}"
        for place in range(len(padded) - 1):
            pair = padded[place : place + 2].encode()
            digest = hmac.digest(key, b"pair\0" + pair, "sha512")
            first = int.from_bytes(digest[:8])
            # Odd, so that its steps reach every bit of a power of two.
            step = int.from_bytes(digest[8:16]) | 1
            for number in range(HASHES_A_PAIR):
                bits |= 1 << ((first + number * step) % BITS)
    return bits


def dice(one: int, other: int) -> float | None:
    """Return how much two filters share, 0 to 1; None where either is empty."""
    if not one or not other:
        return None
    return 2 * (one & other).bit_count() / (one.bit_count() + other.bit_count())


def _hash(key: bytes, what: str, text: str) -> str:
    return hmac.digest(key, f"{what}\0{text}".encode(), "sha256").hex()[:32]


# Measured on the records of FEBRL: two spellings of one name share more, two names less.
NAMES_NEAR = 0.60
NAMES_ALIKE = 0.80


def _compare_encoded(a: EncodedPerson, b: EncodedPerson) -> tuple[int | None, ...]:
    shared = dice(a.names, b.names)
    names = None
    if shared is not None:
        names = 3 if shared == 1 else 2 if shared >= NAMES_ALIKE else int(shared >= NAMES_NEAR)
    born = None
    if a.birth_year and b.birth_year:
        born = 2 if a.born == b.born and a.born else int(a.birth_year == b.birth_year)
    return (
        names,
        born,
        None if not a.sex or not b.sex else int(a.sex == b.sex),
        None if not a.national or not b.national else int(a.national == b.national),
    )


ENCODED: Linker[EncodedPerson] = Linker(
    traits=(
        TraitWords("names", ("unlike", "near", "alike", "the same")),
        TraitWords("day of birth", ("unlike", "the same year", "the same")),
        TraitWords("sex", ("unlike", "the same")),
        TraitWords("national number", ("unlike", "the same")),
    ),
    name_of=lambda person: person.id,
    keys_of=lambda person: (
        *((one,) for one in person.keys),
        *(((person.national,),) if person.national else ()),
    ),
    compare=_compare_encoded,
)
