"""Cells of a file of past cases: what a column is, and readers of what stands in one. Pure."""

import re
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import msgspec

from api.clinical_rules.civil_date import is_civil_date
from api.record_catalogue.catalogue import Catalogue

UNKNOWN = "unknown"
_NUMBER = re.compile(r"[0-9]{1,7}(\.[0-9]{1,6})?")
_MOST_TEXT = 400

Read = Callable[[str], Any]


class CellError(Exception):
    """A cell cannot be taken; the text says what to write instead."""


class Column(msgspec.Struct, frozen=True, kw_only=True):
    """One column.

    Parameters
    ----------
    quantity : str
        What it means without its unit: of two columns of one quantity a file has one.
    unit : str
        As the record keeps it beside the value; "" where the name of the field says it.
    is_rare : bool
        The template leaves it out; a file may have it.
    """

    header: str
    quantity: str
    meaning: str
    example: str
    read: Read
    unit: str = ""
    is_rare: bool = False


def read_text(cell: str) -> str:
    """Return text of one line."""
    if len(cell) > _MOST_TEXT:
        message = f"Shorten it to {_MOST_TEXT} characters."
        raise CellError(message)
    return cell


def read_day(cell: str) -> str:
    """Return a civil date."""
    if not is_civil_date(cell):
        raise CellError("Write the day as 2024-03-31.")
    return cell


def read_scaled(factor: int, least: int, most: int) -> Read:
    """Return a reader of a number as whole parts, between bounds in the unit of the header."""

    def read(cell: str) -> int:
        if not _NUMBER.fullmatch(cell):
            raise CellError("Write a number with a point, such as 12.5, and no unit.")
        amount = Decimal(cell)
        if not least <= amount <= most:
            message = f"{cell} is outside {least} to {most}. Look at the number and its unit."
            raise CellError(message)
        parts = amount * factor
        if parts != parts.to_integral_value():
            raise CellError("That is finer than the record keeps. Write fewer digits.")
        return int(parts)

    return read


def read_choice(values: tuple[str, ...], hint: str = "") -> Read:
    """Return a reader of one of some words; `hint` follows the sentence that refuses others."""

    def read(cell: str) -> str:
        if cell not in values:
            message = f"Write one of {', '.join(values)}.{hint}"
            raise CellError(message)
        return cell

    return read


def make_column(
    header: str,
    meaning: str,
    example: str,
    read: Read,
    *,
    quantity: str = "",
    unit: str = "",
    is_rare: bool = False,
) -> Column:
    """Return a column; it is a quantity of its own where none is named."""
    return Column(
        header=header,
        quantity=quantity or header,
        meaning=meaning,
        example=example,
        read=read,
        unit=unit,
        is_rare=is_rare,
    )


def values_of(catalogue: Catalogue, kind: str, field: str, part: str = "") -> tuple[str, ...]:
    """Return the words of a choice of the catalogue."""
    known = next(one for one in catalogue.kinds[kind].fields if one.id == field)
    values: Any = known.values
    if part:
        values = next(one for one in known.fields if one["id"] == part)["values"]
    return tuple(values)


def choice_of(catalogue: Catalogue, kind: str, field: str, part: str = "") -> Read:
    """Return a reader of one word of a choice of the catalogue."""
    return read_choice(values_of(catalogue, kind, field, part))
