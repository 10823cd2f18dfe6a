"""Columns of a file of past cases that tell what was left in the patient. Pure.

What is left out of a file is found by no recall: there is a column for each coil, for each adhesive
that was injected and for all that a recall is searched by.
"""

import re
from collections.abc import Iterator, Mapping
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
MOST_ADHESIVES = 10
LABEL = ("identifier", "serial", "expires_on")
COILS = tuple(f"coil_{number}" for number in range(1, MOST_COILS + 1))
# The first has no number: most files tell one.
ADHESIVES = ("adhesive", *(f"adhesive_{number}" for number in range(2, MOST_ADHESIVES + 1)))
_AMOUNT = {
    "agent": "agent",
    "mix_ml": "mix_ul",
    "parts_adhesive": "parts_adhesive",
    "parts_oil": "parts_oil",
}
# How many the template shows; a file may have more.
_OFFERED_COILS = 8
_GTIN_LENGTHS = (8, 12, 13, 14)
_MONTH = re.compile(r"[0-9]{4}-[0-9]{2}")
_NUMBERED = re.compile(r"(coil|adhesive)_([0-9]{1,6})(_|$)")
_HIBC = (
    "This is no identifier of HIBC. Write the first code of the label, from + to its check "
    "character, without the part after the stroke."
)
_IDENTIFIER = (
    "Write the GTIN with all its 8, 12, 13 or 14 digits (format the column as text), or an "
    "identifier of HIBC from + to its check character."
)


def list_implant_columns(catalogue: Catalogue) -> list[Column]:
    """Return the columns of coils and of adhesives."""
    return [
        *(column for name in COILS for column in _of_coil(name)),
        *(column for name in ADHESIVES for column in _of_adhesive(name, catalogue)),
    ]


def _of_coil(name: str) -> list[Column]:
    is_first = name == COILS[0]
    return [
        make_column(
            f"{name}_lot",
            f'coil_placed.device.lot; "{UNKNOWN}" where nobody knows it',
            "L-0417-G" if is_first else "",
            read_text,
            is_rare=name not in COILS[:_OFFERED_COILS],
        ),
        *_of_label(name, "coil_placed", COILS),
        *(
            make_column(
                f"{name}_{what}_{unit}",
                f"coil_placed.coil.{what}_um",
                "15" if is_first and what == "loop" and unit == "mm" else "",
                read_scaled(factor, 0, most),
                quantity=f"{name}_{what}",
            )
            for what in ("loop", "length")
            for unit, factor, most in (("mm", 1_000, 500), ("cm", 10_000, 50))
        ),
    ]


def _of_adhesive(name: str, catalogue: Catalogue) -> list[Column]:
    # A case may plan no adhesive; what was injected is some.
    agents = tuple(
        one for one in values_of(catalogue, "case", "adhesive", "agent") if one != "none"
    )
    agent = read_choice(
        agents, " Where coils alone were placed, leave every adhesive column empty."
    )
    lot = f'device.lot; "{UNKNOWN}" where nobody knows it{_same(ADHESIVES)}'
    columns: tuple[tuple[str, str, str, Read], ...] = (
        ("agent", "amount.agent", "other", agent),
        ("mix_ml", "amount.mix_ul: adhesive and oil together", "1.5", read_scaled(1_000, 0, 20)),
        ("parts_adhesive", "amount.parts_adhesive", "1", read_scaled(1, 1, 100)),
        ("parts_oil", "amount.parts_oil", "0", read_scaled(1, 0, 100)),
        ("lot", lot, UNKNOWN, read_text),
    )
    is_rare = name != ADHESIVES[0]
    return [
        *(
            make_column(
                f"{name}_{part}",
                f"adhesive_injected.{meaning}",
                "" if is_rare else example,
                read,
                is_rare=is_rare,
            )
            for part, meaning, example, read in columns
        ),
        *_of_label(name, "adhesive_injected", ADHESIVES),
    ]


def _same(names: tuple[str, ...]) -> str:
    return f"; the same for {names[1]} to {names[-1]}"


def _of_label(name: str, kind: str, names: tuple[str, ...]) -> list[Column]:
    """Return what else of a label a recall is searched by."""
    is_rare, same = name != names[0], _same(names)
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
    """Return a device as records hold it: the cells of one coil, or of one adhesive."""
    lot = values[f"{name}_lot"]
    named = {"lot_unknown": True} if says_no_lot(lot) else {"lot": without_lot_word(lot)}
    label = {part: values[f"{name}_{part}"] for part in LABEL if f"{name}_{part}" in values}
    return {**named, **label}


def amount_in(values: Mapping[str, Any], name: str) -> dict[str, Any]:
    """Return how much of one adhesive was injected, as records hold it; empty where none says."""
    return {
        kept: values[f"{name}_{part}"]
        for part, kept in _AMOUNT.items()
        if f"{name}_{part}" in values
    }


def find_wrong_implants(values: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Yield what cannot be true of the implants of a row: a column, and what to do."""
    for name in ADHESIVES:
        parts = {f"{name}_parts_adhesive", f"{name}_parts_oil"}
        if len(parts & values.keys()) == 1:
            yield f"{name}_parts_oil", "Give both parts, of adhesive and of oil, or none."
    for name in (*COILS, *ADHESIVES):
        others = (*LABEL, *_AMOUNT, "loop_mm", "loop_cm", "length_mm", "length_cm")
        is_told = any(f"{name}_{part}" in values for part in others)
        if is_told and f"{name}_lot" not in values:
            yield f"{name}_lot", "The lot is empty. Write it, or unknown."


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
    numbered = _NUMBERED.match(header)
    if numbered:
        names = COILS if numbered[1] == "coil" else ADHESIVES
        if int(numbered[2]) > len(names):
            return (
                f"A row holds {names[0]} to {names[-1]}. Write those beyond them into a second "
                "row of this patient and day, with 2 in the column case_of_day, so that none is "
                "lost."
            )
    elif not header.startswith("adhesive"):
        return ""
    parts = "lot, identifier, serial, expires_on"
    return (
        f"Of a coil a file tells {parts}, loop_mm or loop_cm and length_mm or length_cm, as in "
        f"coil_1_lot; of an adhesive {parts}, agent, mix_ml, parts_adhesive and parts_oil, as in "
        "adhesive_lot and, of a second one, adhesive_2_lot. Rename the column, so that nothing of "
        "a device is lost."
    )
