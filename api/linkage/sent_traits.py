"""Traits of an encoded person as they travel in a record of the registry, and read back."""

from collections.abc import Mapping
from typing import Any

from api.linkage.encoded_traits import BITS, EncodedPerson

_NAME_DIGITS = BITS // 4
_MOST_LETTERS = 64
_MOST_KEYS = 16


def write_traits(person: EncodedPerson) -> dict[str, Any]:
    """Return what of a person travels; what is not known is left out."""
    held = {
        "national": person.national,
        "born": person.born,
        "birth_year": person.birth_year,
        "sex": person.sex,
        "names": f"{person.names:0{_NAME_DIGITS}x}" if person.names else "",
        "keys": list(person.keys),
    }
    return {name: value for name, value in held.items() if value}


def read_traits(name: str, traits: object) -> EncodedPerson | None:
    """Return the person that traits speak of, None where they say nothing to compare by.

    Parameters
    ----------
    name : str
        What the record is called.

    Notes
    -----
    Whoever writes a record may write anything: what is of another type counts as not known.
    """
    if not isinstance(traits, Mapping):
        return None
    keys = traits.get("keys")
    listed = keys[:_MOST_KEYS] if isinstance(keys, list | tuple) else ()
    person = EncodedPerson(
        id=name,
        national=_text(traits.get("national")),
        born=_text(traits.get("born")),
        birth_year=_text(traits.get("birth_year")),
        sex=_text(traits.get("sex")),
        names=_filter(traits.get("names")),
        keys=tuple(dict.fromkeys(key for one in listed if (key := _text(one)))),
    )
    return person if person.keys or person.national else None


def _text(value: object) -> str:
    return value if isinstance(value, str) and len(value) <= _MOST_LETTERS else ""


def _filter(value: object) -> int:
    if not isinstance(value, str) or len(value) > _NAME_DIGITS:
        return 0
    try:
        return int(value, 16) if value.isalnum() else 0
    except ValueError:
        return 0
