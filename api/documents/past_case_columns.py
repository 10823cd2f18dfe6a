"""Columns of a file of past cases: what each header means, and how its cells are read. Pure.

The header says the unit (``short_axis_mm`` or ``short_axis_cm``); a cell never does. Choices are
those of the record catalogue.
"""

import re
from collections.abc import Callable, Mapping
from decimal import Decimal
from typing import Any

import msgspec

from api.clinical_rules.civil_date import is_civil_date
from api.record_catalogue.catalogue import Catalogue

MOST_COILS = 8
UNKNOWN = "unknown"
# Of the reasons of the catalogue those that end the follow-up of a case by themselves.
ENDS = ("died", "transferred", "declined")
_YES_NO = ("yes", "no")
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
    """

    header: str
    quantity: str
    meaning: str
    example: str
    read: Read
    unit: str = ""


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


def _read_scaled(factor: int, least: int, most: int) -> Read:
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


def _read_choice(values: tuple[str, ...], hint: str = "") -> Read:
    def read(cell: str) -> str:
        if cell not in values:
            message = f"Write one of {', '.join(values)}.{hint}"
            raise CellError(message)
        return cell

    return read


# (quantity, header, unit of the record, least, most): bounds of plausibility, unit setting (project
# default); outside them a slip or a wrong unit is likelier than a patient.
_LABS = (
    ("bilirubin", "bilirubin_mg_dl", "mg/dL", 0, 80),
    ("bilirubin", "bilirubin_umol_l", "umol/L", 0, 1400),
    ("albumin", "albumin_g_dl", "g/dL", 0, 8),
    ("albumin", "albumin_g_l", "g/L", 8, 80),
    ("creatinine", "creatinine_mg_dl", "mg/dL", 0, 20),
    ("creatinine", "creatinine_umol_l", "umol/L", 20, 1800),
    ("inr", "inr_ratio", "ratio", 0, 20),
    ("sodium", "sodium_mmol_l", "mmol/L", 90, 190),
    ("platelets", "platelets_10_9_l", "10*9/L", 0, 2000),
    ("haemoglobin", "haemoglobin_g_l", "g/L", 25, 250),
    ("haemoglobin", "haemoglobin_g_dl", "g/dL", 2, 25),
    ("urea", "urea_mmol_l", "mmol/L", 0, 100),
    ("urea", "urea_mg_dl", "mg/dL", 0, 300),
)
LABS = tuple(dict.fromkeys(one[0] for one in _LABS))


def list_columns(catalogue: Catalogue) -> dict[str, Column]:
    """Return every column that is understood, by header."""
    found = [*_of_patient_and_case(catalogue), *_of_labs(), *_of_implants(catalogue)]
    return {one.header: one for one in (*found, *_of_follow_up(catalogue))}


def _column(header: str, meaning: str, example: str, read: Read, **more: str) -> Column:
    quantity = more.pop("quantity", header)
    return Column(
        header=header, quantity=quantity, meaning=meaning, example=example, read=read, **more
    )


def _values(catalogue: Catalogue, kind: str, field: str, part: str = "") -> tuple[str, ...]:
    known = next(one for one in catalogue.kinds[kind].fields if one.id == field)
    values: Any = known.values
    if part:
        values = next(one for one in known.fields if one["id"] == part)["values"]
    return tuple(values)


def _choice(catalogue: Catalogue, kind: str, field: str, part: str = "") -> Read:
    return _read_choice(_values(catalogue, kind, field, part))


def _of_patient_and_case(catalogue: Catalogue) -> list[Column]:
    def case_choice(field: str, example: str) -> Column:
        return _column(field, f"case.{field}", example, _choice(catalogue, "case", field))

    sex = _choice(catalogue, "patient", "sex")
    return [
        _column("local_number", "patient.local_id; needed", "TH-40171", read_text),
        _column("family_name", "patient.family_name", "Larkwater", read_text),
        _column("given_name", "patient.given_name", "Imelda", read_text),
        _column("born_on", "patient.born_on", "1961-05-04", read_day),
        _column("sex", "patient.sex", "female", sex),
        _column("procedure_on", "case.procedure_on; needed", "2024-03-12", read_day),
        case_choice("indication", "acute-bleed"),
        case_choice("varix_class", "GOV2"),
        case_choice("cause", "alcohol"),
        case_choice("ascites", "mild"),
        case_choice("encephalopathy", "none"),
        _column("past_bleeds", "case.past_bleeds", "1", _read_scaled(1, 0, 50)),
        _column("weight_kg", "case.weight_g", "71.5", _read_scaled(1_000, 2, 400)),
        _column("varix_label", "target.label", "Varix A", read_text),
        *(
            _column(
                f"{axis}_{unit}",
                f"target.size.{axis}_um",
                example,
                _read_scaled(factor, 0, most),
                quantity=axis,
            )
            for axis in ("short_axis", "long_axis")
            for unit, factor, most, example in (("mm", 1_000, 80, "17"), ("cm", 10_000, 8, ""))
        ),
        _column(
            "size_modality",
            "target.size.modality",
            "ultrasound",
            _choice(catalogue, "target", "size", "modality"),
        ),
    ]


def _of_labs() -> list[Column]:
    examples = {"bilirubin_umol_l": "34", "albumin_g_l": "31", "inr_ratio": "1.4"}
    return [
        _column("labs_taken_on", "lab_result.result.taken_on", "2024-03-10", read_day),
        *(
            _column(
                header,
                "lab_result.result.value_milli",
                examples.get(header, ""),
                _read_scaled(1_000, least, most),
                quantity=quantity,
                unit=unit,
            )
            for quantity, header, unit, least, most in _LABS
        ),
    ]


def _of_implants(catalogue: Catalogue) -> list[Column]:
    lot = f'coil_placed.device.lot; "{UNKNOWN}" where nobody knows it'
    found = []
    for number in range(1, MOST_COILS + 1):
        name = f"coil_{number}"
        first = number == 1
        found += [
            _column(f"{name}_lot", lot, "L-0417-G" if first else "", read_text),
            *(
                _column(
                    f"{name}_{what}_{unit}",
                    f"coil_placed.coil.{what}_um",
                    "15" if first and what == "loop" and unit == "mm" else "",
                    _read_scaled(factor, 0, most),
                    quantity=f"{name}_{what}",
                )
                for what in ("loop", "length")
                for unit, factor, most in (("mm", 1_000, 500), ("cm", 10_000, 50))
            ),
        ]
    # A case may plan no adhesive; what was injected is some.
    agents = tuple(one for one in _values(catalogue, "case", "adhesive", "agent") if one != "none")
    agent = _read_choice(
        agents, " Where coils alone were placed, leave every adhesive column empty."
    )
    mix = "adhesive_injected.amount.mix_ul: adhesive and oil together"
    return [
        *found,
        _column("adhesive_agent", "adhesive_injected.amount.agent", "other", agent),
        _column("adhesive_mix_ml", mix, "1.5", _read_scaled(1_000, 0, 20)),
        _column(
            "adhesive_parts_adhesive",
            "adhesive_injected.amount.parts_adhesive",
            "1",
            _read_scaled(1, 1, 100),
        ),
        _column(
            "adhesive_parts_oil",
            "adhesive_injected.amount.parts_oil",
            "0",
            _read_scaled(1, 0, 100),
        ),
        _column(
            "adhesive_lot",
            f'adhesive_injected.device.lot; "{UNKNOWN}" where nobody knows it',
            UNKNOWN,
            read_text,
        ),
    ]


def _of_follow_up(catalogue: Catalogue) -> list[Column]:
    event = _choice(catalogue, "complication", "what")
    obliterated = _choice(catalogue, "visit_result", "obliterated")
    source = _choice(catalogue, "complication", "bleed_source")
    end = _read_choice(ENDS)
    flow = _choice(catalogue, "registry_case", "flow_at_end")
    return [
        _column(
            "delivered", "what was planned was put in: yes or no", "yes", _read_choice(_YES_NO)
        ),
        _column(
            "flow_at_end", "Doppler flow in the varix at the end of the procedure", "none", flow
        ),
        _column(
            "adverse_event",
            "complication.what; none where there was none: one empty cell, and no adverse event "
            "of the file counts",
            "none",
            event,
        ),
        _column("adverse_event_on", "complication.facts.on", "", read_day),
        _column("adverse_event_note", "complication.note", "", read_text),
        _column(
            "rebleed_on",
            "first bleed after the day of the procedure; empty: none until the last visit; "
            "without that visit it counts for nothing",
            "2024-09-02",
            read_day,
        ),
        _column("rebleed_source", "complication.bleed_source", "treatment-ulcer", source),
        _column("last_visit_on", "visit_result.on", "2025-03-10", read_day),
        _column("last_visit_obliterated", "visit_result.obliterated", "yes", obliterated),
        _column("next_visit_on", "visit.window: when the patient is next seen", "", read_day),
        _column("next_visit_label", "visit.label", "", read_text),
        _column("ended_because", "visit.ended_because; a clinician confirms it later", "", end),
        _column("ended_on", "visit.ended_on: day of the death, or since when", "", read_day),
    ]


def say_unknown_header(header: str, known: Mapping[str, Column]) -> str:
    """Return what to do about a header that is not understood."""
    alike = sorted(name for name in known if name.startswith(f"{header}_"))
    if alike and any(known[name].quantity == header for name in alike):
        return f"Say the unit in the header: {' or '.join(alike)}."
    return "Take the headers of the template (crura import-cases --template), or leave it out."
