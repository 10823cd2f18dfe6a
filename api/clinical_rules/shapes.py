"""Reads parsed JSON strictly: a wrong key or type is refused by name.

A reader takes the content and where it stands (``drugs[2]``) and returns it, typed, or raises a
`ShapeError` of one sentence. The twin `shapes.ts` writes the same sentences.
"""

import re
from collections.abc import Callable, Iterable, Mapping
from decimal import ROUND_DOWN, Decimal
from typing import Any, TypeGuard, TypeVar

from api.clinical_rules.civil_date import is_civil_date
from api.clinical_rules.errors import ShapeError

LARGEST = 2**53 - 1
_INDEX = re.compile(r"0|[1-9][0-9]{0,9}")
_LAST_INDEX = 2**32 - 1
_MOST_PLACES = 60

T = TypeVar("T")
Reader = Callable[[object, str], T]


def text(content: object, where: str) -> str:
    """Return text, also empty."""
    if isinstance(content, str):
        return content
    raise _wrong_type(content, where, "text")


def whole_number(content: object, where: str) -> int:
    """Return a whole number of at most 2^53 - 1; `1.0` counts as 1."""
    if _is_number(content) and content == int(content):
        return int(content)
    raise _wrong_type(content, where, "a whole number")


def natural_number(content: object, where: str) -> int:
    """Return a whole number that is not negative."""
    read = whole_number(content, where)
    if read < 0:
        message = f"{where} must not be negative. Correct it."
        raise ShapeError(message)
    return read


def at_most(most: int, *, zero_advice: str = "") -> Reader[int]:
    """Return a reader of a natural number up to a bound.

    Parameters
    ----------
    zero_advice : str
        What to do about a 0 where that is none, such as "Correct it."; "" where it may be 0.
    """

    def read(content: object, where: str) -> int:
        amount = natural_number(content, where)
        if zero_advice and amount == 0:
            message = f"{where} must be above 0. {zero_advice}"
            raise ShapeError(message)
        if amount > most:
            message = f"{where} must be at most {most}. Correct it."
            raise ShapeError(message)
        return amount

    return read


def number(content: object, where: str) -> Decimal:
    """Return a number below 2^53, exactly as its digits say, to the sixtieth decimal."""
    if _is_number(content):
        amount = Decimal(repr(content)) + 0
        # The twin holds sixty decimals, so 5e-324 is 0 in both.
        if int(amount.as_tuple().exponent) < -_MOST_PLACES:
            return amount.quantize(Decimal(1).scaleb(-_MOST_PLACES), ROUND_DOWN).normalize() + 0
        return amount
    raise _wrong_type(content, where, "a number")


def flag(content: object, where: str) -> bool:
    """Return true or false."""
    if isinstance(content, bool):
        return content
    raise _wrong_type(content, where, "true or false")


def civil_date(content: object, where: str) -> str:
    """Return a day of the calendar, as `YYYY-MM-DD`."""
    if isinstance(content, str) and is_civil_date(content):
        return content
    message = f"{where} must be a date such as 2026-03-01. Correct it."
    raise ShapeError(message)


def one_of(*words: str) -> Reader[str]:
    """Return a reader of one of the words given."""

    def read(content: object, where: str) -> str:
        if isinstance(content, str) and content in words:
            return content
        message = f"{where} must be one of {', '.join(words)}. Correct it."
        raise ShapeError(message)

    return read


def list_of(reader: Reader[T]) -> Reader[list[T]]:
    """Return a reader of a list; each entry is read by the reader given."""

    def read(content: object, where: str) -> list[T]:
        if not isinstance(content, list):
            raise _wrong_type(content, where, "a list")
        return [reader(entry, f"{where}[{place}]") for place, entry in enumerate(content)]

    return read


def shape(
    required: Mapping[str, Reader[Any]], optional: Mapping[str, Reader[Any]] | None = None
) -> Reader[dict[str, Any]]:
    """Return a reader of an object with exactly these keys.

    Parameters
    ----------
    required, optional : mapping of key to reader
        Null under an optional key counts as left out. Keys left out are not in the result.
    """
    may_be_there = optional or {}

    def read(content: object, where: str) -> dict[str, Any]:
        if not isinstance(content, dict):
            raise _wrong_type(content, where or "The request", "an object")
        unknown = [key for key in content if key not in required and key not in may_be_there]
        if unknown:
            first = order_keys(unknown)[0]
            message = f"{_join(where, first)} is no known key. Remove it or correct its name."
            raise ShapeError(message)
        result: dict[str, Any] = {}
        for key, reader in required.items():
            if key not in content:
                message = f"{_join(where, key)} is missing. Add it."
                raise ShapeError(message)
            result[key] = reader(content[key], _join(where, key))
        for key, reader in may_be_there.items():
            if content.get(key) is not None:
                result[key] = reader(content[key], _join(where, key))
        return result

    return read


def order_keys(keys: Iterable[str]) -> list[str]:
    """Return the keys of an object in the order that JavaScript gives them.

    Whole numbers below 2^32 - 1 come first, by size; the others keep their order.

    Examples
    --------
    >>> order_keys(["b", "10", "a", "9", "09"])
    ['9', '10', 'b', 'a', '09']
    """
    listed = list(keys)
    numbers = [key for key in listed if _INDEX.fullmatch(key) and int(key) < _LAST_INDEX]
    return [*sorted(numbers, key=int), *(key for key in listed if key not in numbers)]


def _is_number(content: object) -> TypeGuard[int | float]:
    if isinstance(content, bool) or not isinstance(content, int | float):
        return False
    return abs(content) <= LARGEST


def _join(where: str, key: str) -> str:
    return f"{where}.{key}" if where else key


def _wrong_type(content: object, where: str, wanted: str) -> ShapeError:
    return ShapeError(f"{where} must be {wanted}, not {_name_type(content)}. Correct it.")


def _name_type(content: object) -> str:
    if content is None:
        return "null"
    if isinstance(content, bool):
        return "true or false"
    if isinstance(content, int | float):
        if not abs(content) <= LARGEST:
            return "a number that large"
        return "a whole number" if content == int(content) else "a fraction"
    if isinstance(content, str):
        return "text"
    return "a list" if isinstance(content, list) else "an object"
