"""Bands: rows of a rule file that hold a number between two bounds, or one word."""

import re
from collections.abc import Sequence
from decimal import Decimal
from typing import TypeVar

from api.clinical_rules.errors import RuleFileError
from api.clinical_rules.measures import write_digits
from api.clinical_rules.rule_file import Row

_DECIMAL = re.compile(r"-?[0-9]+(\.[0-9]+)?")


class BandRow(Row, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A row with at most one lower and one upper bound, as decimal text (RF8)."""

    at_least: str | None = None
    above: str | None = None
    at_most: str | None = None
    below: str | None = None


BandT = TypeVar("BandT", bound=BandRow)


def read_decimal(digits: str, name_on_disk: str) -> Decimal:
    """Return the number that decimal text of a rule file holds.

    Raises
    ------
    RuleFileError
        The text is no plain decimal number.
    """
    if not _DECIMAL.fullmatch(digits):
        message = f"Rule file {name_on_disk}: {digits} is no decimal number. Correct it."
        raise RuleFileError(message)
    return Decimal(digits)


def find_band(rows: Sequence[BandT], amount: Decimal) -> BandT:
    """Return the row that holds the amount; `refuse_band_faults` makes sure there is one."""
    return next(row for row in rows if holds(row, amount))


def holds(row: BandRow, amount: Decimal) -> bool:
    """Say whether the amount lies within the bounds of the row."""
    return (
        (row.at_least is None or amount >= Decimal(row.at_least))
        and (row.above is None or amount > Decimal(row.above))
        and (row.at_most is None or amount <= Decimal(row.at_most))
        and (row.below is None or amount < Decimal(row.below))
    )


def refuse_band_faults(name_on_disk: str, item: str, rows: Sequence[BandRow]) -> None:
    """Refuse bands that do not hold every number exactly once, from lowest to highest (RF8).

    Raises
    ------
    RuleFileError
        Names the item and the bound at which two bands meet wrongly.
    """
    last: tuple[str, Decimal] | None = None
    for place, row in enumerate(rows):
        lower = _bound(name_on_disk, row.at_least, row.above, ("at_least", "above"))
        upper = _bound(name_on_disk, row.at_most, row.below, ("at_most", "below"))
        meets = {"below": "at_least", "at_most": "above"}
        wanted = (meets[last[0]], last[1]) if last else None
        is_last = place == len(rows) - 1
        if lower != wanted or (upper is None) != is_last:
            begin = (
                "without lower bound"
                if wanted is None
                else f"{wanted[0]} {write_digits(wanted[1])}"
            )
            message = (
                f"Rule file {name_on_disk}: band {place + 1} of {item} must begin {begin} and "
                f"{'have no' if is_last else 'have an'} upper bound. Correct its bounds."
            )
            raise RuleFileError(message)
        last = upper


def _bound(
    name_on_disk: str, including: str | None, excluding: str | None, keys: tuple[str, str]
) -> tuple[str, Decimal] | None:
    if including is not None and excluding is not None:
        message = (
            f"Rule file {name_on_disk}: a row has both `{keys[0]}` and `{keys[1]}`. Remove one."
        )
        raise RuleFileError(message)
    if including is not None:
        return keys[0], read_decimal(including, name_on_disk)
    if excluding is not None:
        return keys[1], read_decimal(excluding, name_on_disk)
    return None
