"""A value of a rule file in words: with the unit in which people of the field say it."""

import re
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

# Ending of a key: the unit of the number, the unit that people say, and how many of one make it.
_ENDINGS: Mapping[str, tuple[str, str, int]] = {
    "um": ("um", "mm", 1_000),
    "ul": ("uL", "mL", 1_000),
    "ms": ("ms", "s", 1_000),
    "ms_per_ml": ("ms per mL", "s per mL", 1_000),
    "per_mille": ("per mille", "times", 1_000),
    # A share of people, not a factor.
    "bled_per_mille": ("per mille", "%", 10),
    "per_cent": ("per cent", "", 1),
    "g": ("g", "kg", 1_000),
    "days": ("days", "", 1),
    "months": ("months", "", 1),
    "hours": ("hours", "", 1),
    "coils": ("coils", "", 1),
    "years": ("years", "", 1),
    "minutes": ("minutes", "", 1),
}
# Keys of a row that hold a bare number: its unit stands elsewhere.
_AMOUNTS = ("amount", "at_least", "at_most", "above", "below", "limit")
_NUMBER = re.compile(r"-?[0-9]+(\.[0-9]+)?")
# Of a file whose rows have units of their own, or none.
_NO_UNIT = ("as each", "as named", "words", "steps", "signs", "media", "whole", "per mille of")


def say_value(value: object, key: str, row: Mapping[str, Any], unit: str) -> str:
    """Return a value in words.

    Parameters
    ----------
    key : str
        Of the row; of a row that names what it is (``item``) the ending of that name tells the
        unit.
    row : mapping
        Whole, for a unit of its own (``unit``, ``limit_unit``).
    unit : str
        Of the file.

    Examples
    --------
    >>> say_value(1200, "amount", {"item": "aliquot_ul", "amount": 1200}, "as each key says")
    '1.2 mL'
    """
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return _say_number(value, key, row, unit)
    if isinstance(value, str):
        # Some files keep their numbers as texts, so that no digit is lost.
        is_number = key in _AMOUNTS and _NUMBER.fullmatch(value)
        return _say_number(value, key, row, unit) if is_number else f'"{_plain(value, key)}"'
    if isinstance(value, list | tuple):
        return f"[{', '.join(say_value(one, key, row, unit) for one in value)}]"
    if isinstance(value, Mapping):
        parts = (f"{name} {say_value(one, name, row, unit)}" for name, one in value.items())
        return f"({'; '.join(parts)})"
    return str(value)


def _plain(value: str, key: str) -> str:
    return value.replace("-", " ") if key == "basis" else value


def _say_number(value: float | str, key: str, row: Mapping[str, Any], unit: str) -> str:
    names = [key]
    if key in _AMOUNTS:
        names += [str(row.get(one) or "") for one in ("item", "limit_item", "input", "name")]
    for name in names:
        for ending in sorted(_ENDINGS, key=len, reverse=True):
            if name == ending or name.endswith(f"_{ending}"):
                return _with_unit(value, *_ENDINGS[ending])
    of_row = row.get("limit_unit") if key == "limit" else row.get("unit")
    if isinstance(of_row, str) and of_row and key not in ("points", "number", "version"):
        known = _ENDINGS.get(of_row)
        return _with_unit(value, *known) if known else f"{value} {of_row}"
    if key in _AMOUNTS and unit and not any(part in unit for part in _NO_UNIT):
        return f"{value} {unit}"
    return f"{value}"


def _with_unit(value: float | str, unit: str, said: str, many: int) -> str:
    if not said:
        one = str(value) == "1" and unit.endswith("s")
        return f"{value} {unit[:-1] if one else unit}"
    whole = (Decimal(str(value)) / many).normalize()
    return f"{whole:f} {said}"
