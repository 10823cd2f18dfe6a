"""Columns of a file of past cases that tell what was left in the patient. Pure.

A coil that is left out of a file is found by no recall: there is a column for each coil and for all
that a recall is searched by.
"""

import re
from collections.abc import Mapping
from typing import Any

from api.clinical_rules.civil_date import add_days, add_interval, is_civil_date
from api.clinical_rules.gs1_label import check_digit
from api.clinical_rules.hibc_label import read_hibc_label
from api.clinical_rules.lot_words import without_lot_word
from api.clinical_rules.typed_lots import says_no_lot
from api.documents.past_case_cells import (
    UNKNOWN,
    CellError,
    Column,
    Read,
    make_column,
    read_choice,
    read_scaled,
    read_text,
    values_of,
)
from api.record_catalogue.catalogue import Catalogue

MOST_COILS = 30
LABEL = ("identifier", "serial", "expires_on")
# How many the template shows; a file may have more.
_OFFERED_COILS = 8
_GTIN_LENGTHS = (8, 12, 13, 14)
_MONTH = re.compile(r"[0-9]{4}-[0-9]{2}")
_COIL = re.compile(r"coil_([0-9]{1,6})(_|$)")
_HIBC = (
    "This is no identifier of HIBC. Write the first code of the label, from + to its check "
    "character, without the part after the stroke."
)
_IDENTIFIER = (
    "Write the GTIN with all its 8, 12, 13 or 14 digits (format the column as text), or an "
    "identifier of HIBC from + to its check character."
)


def list_implant_columns(catalogue: Catalogue) -> list[Column]:
    """Return the columns of coils and of the adhesive."""
    lot = f'coil_placed.device.lot; "{UNKNOWN}" where nobody knows it'
    found = []
    for number in range(1, MOST_COILS + 1):
        name = f"coil_{number}"
        first = number == 1
        found += [
            make_column(
                f"{name}_lot",
                lot,
                "L-0417-G" if first else "",
                read_text,
                is_rare=number > _OFFERED_COILS,
            ),
            *_of_label(name, "coil_placed", is_rare=not first),
            *(
                make_column(
                    f"{name}_{what}_{unit}",
                    f"coil_placed.coil.{what}_um",
                    "15" if first and what == "loop" and unit == "mm" else "",
                    read_scaled(factor, 0, most),
                    quantity=f"{name}_{what}",
                )
                for what in ("loop", "length")
                for unit, factor, most in (("mm", 1_000, 500), ("cm", 10_000, 50))
            ),
        ]
    # A case may plan no adhesive; what was injected is some.
    agents = tuple(
        one for one in values_of(catalogue, "case", "adhesive", "agent") if one != "none"
    )
    agent = read_choice(
        agents, " Where coils alone were placed, leave every adhesive column empty."
    )
    mix = "adhesive_injected.amount.mix_ul: adhesive and oil together"
    return [
        *found,
        make_column("adhesive_agent", "adhesive_injected.amount.agent", "other", agent),
        make_column("adhesive_mix_ml", mix, "1.5", read_scaled(1_000, 0, 20)),
        make_column(
            "adhesive_parts_adhesive",
            "adhesive_injected.amount.parts_adhesive",
            "1",
            read_scaled(1, 1, 100),
        ),
        make_column(
            "adhesive_parts_oil",
            "adhesive_injected.amount.parts_oil",
            "0",
            read_scaled(1, 0, 100),
        ),
        make_column(
            "adhesive_lot",
            f'adhesive_injected.device.lot; "{UNKNOWN}" where nobody knows it',
            UNKNOWN,
            read_text,
        ),
        *_of_label("adhesive", "adhesive_injected"),
    ]


def _of_label(name: str, kind: str, *, is_rare: bool = False) -> list[Column]:
    """Return what else of a label a recall is searched by."""
    same = f"; the same for coil_2 to coil_{MOST_COILS}" if kind == "coil_placed" else ""
    parts: tuple[tuple[str, str, str, Read], ...] = (
        (
            "identifier",
            "GTIN with its check digit, or HIBC from + to its check character",
            "" if is_rare else "09521234543213",
            read_identifier,
        ),
        ("serial", "serial number", "", read_text),
        ("expires_on", "day, or month as 2027-04", "" if is_rare else "2027-04", read_expiry),
    )
    return [
        make_column(
            f"{name}_{part}",
            f"{kind}.device.{part}: {meaning}{same}",
            example,
            read,
            is_rare=is_rare,
        )
        for part, meaning, example, read in parts
    ]


def device_in(values: Mapping[str, Any], name: str) -> dict[str, Any]:
    """Return a device as records hold it: the cells of one coil, or of the adhesive."""
    lot = values[f"{name}_lot"]
    named = {"lot_unknown": True} if says_no_lot(lot) else {"lot": without_lot_word(lot)}
    label = {part: values[f"{name}_{part}"] for part in LABEL if f"{name}_{part}" in values}
    return {**named, **label}


def read_identifier(cell: str) -> str:
    """Return a device identifier as a scan keeps it: a GTIN of 14 digits, or HIBC without `+`."""
    if cell.startswith("+"):
        # The days of a label play no part in its identifier.
        fields = read_hibc_label(cell, today_on="2000-01-01")
        if fields.identifier is None or fields.problems or "/" in cell[:-1]:
            raise CellError(_HIBC)
        return fields.identifier
    if not (cell.isascii() and cell.isdigit() and len(cell) in _GTIN_LENGTHS):
        raise CellError(_IDENTIFIER)
    if check_digit(cell[:-1]) != int(cell[-1]):
        message = f"The check digit of {cell} is wrong. Read the identifier from the record again."
        raise CellError(message)
    return cell.zfill(max(_GTIN_LENGTHS))


def read_expiry(cell: str) -> str:
    """Return the day up to which a device may be used: of a month its last one (DL3)."""
    if _MONTH.fullmatch(cell) and is_civil_date(f"{cell}-01"):
        return add_days(add_interval(f"{cell}-01", months=1, days=0), -1)
    if not is_civil_date(cell):
        raise CellError("Write the expiry as 2027-04-30, or 2027-04 where the label says a month.")
    return cell


def say_implant_header(header: str) -> str:
    """Return what to do about a header of an implant that is not understood, "" for any other."""
    coil = _COIL.match(header)
    if coil and int(coil[1]) > MOST_COILS:
        return (
            f"A row holds coil_1 to coil_{MOST_COILS}. Write the coils beyond them into a second "
            "row of this patient and day, with 2 in the column case_of_day, so that none is lost."
        )
    if coil is None and not header.startswith("adhesive"):
        return ""
    parts = "lot, identifier, serial, expires_on"
    return (
        f"Of a coil a file tells {parts}, loop_mm or loop_cm and length_mm or length_cm, as in "
        f"coil_1_lot; of an adhesive {parts}, agent, mix_ml, parts_adhesive and parts_oil. Rename "
        "the column, so that nothing of a device is lost."
    )
