"""Which columns a de-identified export has: all there are, with type, meaning and vocabulary.

What is not listed here cannot leave: there is no free text, no day of birth, no serial number, no
id of the record. The data dictionary is made of this and of the record catalogue.
"""

import re
from collections.abc import Mapping
from typing import Any, Literal

import msgspec

from api.record_catalogue.catalogue import Catalogue

ColumnType = Literal["pseudonym", "choice", "list", "whole_number", "boolean", "date", "band"]
# What a cell of a type may look like, as text; the linter asks nothing else.
SHAPES: Mapping[str, re.Pattern[str]] = {
    "pseudonym": re.compile(r"[0-9a-f]{16}"),
    "whole_number": re.compile(r"-?[0-9]{1,9}"),
    "boolean": re.compile(r"true|false"),
    "date": re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}"),
    "band": re.compile(r"[0-9]{4}(-[0-9]{4}|-Q[1-4]|-H[12])?|[0-9]{14}"),
}


class Column(msgspec.Struct, frozen=True, kw_only=True):
    """One column.

    Parameters
    ----------
    field : str
        Of the kind of its table in the record catalogue, "" where it is made here.
    is_quasi : bool
        What others may know of a patient: generalised until five share it, or held back (DX3).
    """

    name: str
    type: ColumnType
    meaning: str
    field: str = ""
    is_quasi: bool = False


class ExportTable(msgspec.Struct, frozen=True):
    """One table, the kind of record that its rows come from, and its columns."""

    name: str
    kind: str
    columns: tuple[Column, ...]


def _id(name: str, meaning: str, field: str = "") -> Column:
    return Column(name=name, type="pseudonym", meaning=meaning, field=field)


def _of(field: str, kind: ColumnType, meaning: str) -> Column:
    return Column(name=field, type=kind, meaning=meaning, field=field)


def _quasi(name: str, kind: ColumnType, meaning: str, field: str = "") -> Column:
    return Column(name=name, type=kind, meaning=meaning, field=field, is_quasi=True)


_PATIENT = _id("patient", "Pseudonym of the patient, of this project alone.", "patient")
_CASE = _id("case", "Pseudonym of the case, of this project alone.", "case")
# As DX1-DX3 have it; the linter looks for each of them in the files.
NEVER_HELD = (
    "No name, no birth but a band of years, no free text, no serial number, no lot as printed and "
    "no id of a record: none of them has a column."
)
_DAY = "Days after the first treatment of the patient; negative before."
_MOVED = " Moved by the same whole days as all dates of the patient; empty where held back."

TABLES: tuple[ExportTable, ...] = (
    ExportTable(
        "patients",
        "registry_patient",
        (
            _PATIENT,
            _quasi("unit", "pseudonym", "Pseudonym of the unit, of this project alone.", "unit"),
            _quasi("birth_band", "band", "Years within which the patient was born.", "birth_year"),
            _quasi("sex", "choice", "Sex as recorded.", "sex"),
            _quasi("treated_period", "band", "Time of the first treatment, moved."),
            Column(name="died_day", type="whole_number", meaning=f"Death. {_DAY}"),
            Column(name="died_on", type="date", meaning="Day of death." + _MOVED, field="died_on"),
        ),
    ),
    ExportTable(
        "cases",
        "registry_case",
        (
            _CASE,
            _PATIENT,
            Column(name="treated_day", type="whole_number", meaning=f"Treatment. {_DAY}"),
            _of("treated_on", "date", "Day of treatment." + _MOVED),
            Column(name="seen_day", type="whole_number", meaning=f"Last seen. {_DAY}"),
            _of("seen_on", "date", "Day last seen." + _MOVED),
            _of("indication", "choice", "Why the varix was treated."),
            _of("varix_class", "choice", "Class of the varix."),
            _of("cause", "choice", "Cause of portal hypertension."),
            _of("shunt", "choice", "Whether a shunt was present."),
            _of("child_pugh_points", "whole_number", "Child-Pugh points before treatment."),
            _of("meld", "whole_number", "MELD before treatment."),
            _of("short_axis_um", "whole_number", "Short axis of the largest target."),
            _of("targets", "whole_number", "Targets."),
            _of("technique", "choice", "What was left in the varix."),
            _of("coils_planned", "whole_number", "Coils planned."),
            _of("coils_placed", "whole_number", "Coils placed."),
            _of("adhesive_kind", "choice", "Adhesive."),
            _of("adhesive_pure_ul", "whole_number", "Adhesive (pure) injected."),
            _of("delivered", "boolean", "What was planned was put into the target."),
            _of("flow_at_end", "choice", "Doppler flow at the end of the procedure."),
            _of("windows_due", "whole_number", "Follow-up windows that were due."),
            _of("windows_kept", "whole_number", "Follow-up windows that were kept."),
            _of("window_days", "whole_number", "Longest time of an outcome that is over, in days."),
            _of("asked_on", "date", "Day last asked whether it bled." + _MOVED),
            _of("doubts", "list", "Fields with two answers, or one that was held back."),
        ),
    ),
    ExportTable(
        "implants",
        "registry_implant",
        (
            _CASE,
            _PATIENT,
            _of("item", "choice", "What it is."),
            Column(
                name="device",
                type="band",
                meaning="Global trade item number of the device, 14 digits; empty for any other.",
                field="identifier",
            ),
            _id("lot", "Pseudonym of the lot, of this project alone; equal lots stay so.", "lot"),
            _of("lot_unknown", "boolean", "Nobody knows the lot."),
            _of("count", "whole_number", "How many."),
        ),
    ),
    ExportTable(
        "looks",
        "registry_look",
        (
            _CASE,
            _PATIENT,
            Column(name="looked_day", type="whole_number", meaning=f"Look. {_DAY}"),
            _of("looked_on", "date", "Day of the look by ultrasound." + _MOVED),
            _of("flow", "choice", "Doppler flow in the treated varix."),
        ),
    ),
    ExportTable(
        "events",
        "registry_event",
        (
            _CASE,
            _PATIENT,
            _of("event", "choice", "What happened."),
            Column(name="happened_day", type="whole_number", meaning=f"Event. {_DAY}"),
            _of("happened_on", "date", "Day it happened." + _MOVED),
            _of("source", "choice", "Where a bleed came from."),
            _of("planned", "boolean", "Whether a reintervention was planned."),
            _of("grade", "choice", "Grade of an adverse event."),
        ),
    ),
)


def describe_columns(catalogue: Catalogue) -> dict[str, list[dict[str, Any]]]:
    """Return the data dictionary: by table each column with type, unit, vocabulary and meaning."""
    return {
        table.name: [
            {
                "column": column.name,
                "type": column.type,
                "unit": _unit(catalogue, table, column),
                "values": list(values_of(catalogue, table, column)),
                "meaning": column.meaning,
                "is_quasi_identifier": column.is_quasi,
            }
            for column in table.columns
        ]
        for table in TABLES
    }


def left_out_of(catalogue: Catalogue, table: ExportTable) -> tuple[str, ...]:
    """Return the fields that the hub holds of the records of a table and that no column tells.

    What is told of a patient stands in the table of patients, for all others.
    """
    told = {column.field for column in (*table.columns, *TABLES[0].columns) if column.is_quasi}
    told |= {column.field for column in table.columns}
    return tuple(one.id for one in catalogue.kinds[table.kind].fields if one.id not in told)


def values_of(catalogue: Catalogue, table: ExportTable, column: Column) -> tuple[str, ...]:
    """Return the closed vocabulary of a column, none where it has no such."""
    kind = catalogue.kinds[table.kind]
    if column.type == "list":
        return tuple(field.id for field in kind.fields)
    if column.type != "choice":
        return ()
    return next((tuple(one.values or ()) for one in kind.fields if one.id == column.field), ())


def _unit(catalogue: Catalogue, table: ExportTable, column: Column) -> str:
    if column.name.endswith("_day"):
        return "days"
    fields = catalogue.kinds[table.kind].fields
    return next((one.unit or "" for one in fields if one.id == column.field), "")
