"""Cases as tables, one per kind of thing; columns and dictionary made from the catalogue. Pure.

A cell holds the one value that stands; where several stand, or one of another type, the cell is
empty and the table `doubts` has them all. Every cell that a spreadsheet would run as a formula, or
that begins with an apostrophe, gets an apostrophe in front; `read_table` takes it off again.
"""

import csv
import io
import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import msgspec

from api.record_catalogue.catalogue import Catalogue, Field
from sync.merge import RecordState
from sync.merge_policies import MergePolicy

# Kind to the name of its table.
TABLES: Mapping[str, str] = {
    "patient": "patients",
    "case": "cases",
    "target": "targets",
    "lab_result": "labs",
    "puncture": "punctures",
    "coil_placed": "coils",
    "adhesive_injected": "adhesive",
    "flush": "flushes",
    "complication": "complications",
    "visit": "visits",
    "visit_result": "visit_results",
}
DICTIONARY, DOUBTS = "dictionary", "doubts"
_CHOSEN = (MergePolicy.FURTHEST, MergePolicy.LATEST)
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "'")
# How a name says its unit (GLOSSARY.md).
_UNITS = {"um": "um", "ul": "uL", "ms": "ms", "g": "g", "milli": "thousandths of the unit"}
_Rows = list[dict[str, Any]]


class Column(msgspec.Struct, frozen=True):
    """One column: its name, and where it comes from in the catalogue; `part` is "" for a whole."""

    name: str
    field: str
    part: str
    type: str
    unit: str
    values: tuple[str, ...]
    since: int


def list_columns(catalogue: Catalogue, kind: str) -> list[Column]:
    """Return the columns of a kind's table: its fields, a structure part by part."""
    found = [
        Column("record", "", "", "reference", "", (), catalogue.kinds[kind].since),
        Column("entered_in_error", "", "", "boolean", "", (), catalogue.kinds[kind].since),
    ]
    for field in catalogue.kinds[kind].fields:
        found += _columns_of(field)
    return found


def _columns_of(field: Field) -> list[Column]:
    if field.type != "structure" or not field.fields:
        unit = field.unit or _unit_in(field.id)
        return [Column(field.id, field.id, "", field.type, unit, field.values, field.since)]
    found = []
    for part in field.fields:
        name, kind = str(part["id"]), str(part["type"])
        values = part.get("values", ())
        allowed = tuple(map(str, values)) if isinstance(values, (list, tuple)) else ()
        unit = _unit_in(name) if kind == "whole_number" else ""
        found.append(Column(f"{field.id}.{name}", field.id, name, kind, unit, allowed, field.since))
    return found


def _unit_in(name: str) -> str:
    return _UNITS.get(name.rsplit("_", 1)[-1], "") if "_" in name else ""


def make_tables(
    catalogue: Catalogue, states: Mapping[str, Iterable[RecordState]]
) -> dict[str, _Rows]:
    """Return every table by name, each a list of rows.

    Parameters
    ----------
    states : mapping
        Kind to its records, also those entered in error: such a row bears its record alone.
    """
    tables: dict[str, _Rows] = {name: [] for name in (*TABLES.values(), DOUBTS)}
    for kind, table in TABLES.items():
        columns = list_columns(catalogue, kind)
        policies = catalogue.policies_of(kind)
        for state in states.get(kind, ()):
            row: dict[str, Any] = {}
            for column in columns:
                if not column.field:
                    continue
                policy = policies.get(column.field)
                is_chosen = policy is not None and policy.merge in _CHOSEN
                row[column.name] = _cell(state, column, is_chosen=is_chosen)
            row |= {"record": state.record, "entered_in_error": state.is_entered_in_error}
            tables[table].append({column.name: row[column.name] for column in columns})
            tables[DOUBTS] += _doubts(state, columns, row, policies)
    return tables


def _cell(state: RecordState, column: Column, *, is_chosen: bool) -> Any:  # noqa: ANN401
    held = state.fields.get(column.field)
    if held is None or held.is_conflict or (len(held.values) > 1 and not is_chosen):
        return None
    value = held.values[-1].value
    if column.part:
        value = value.get(column.part) if isinstance(value, dict) else None
    return value if _fits(value, column.type) else None


def _fits(value: object, kind: str) -> bool:
    match kind:
        case "whole_number":
            return isinstance(value, int) and not isinstance(value, bool)
        case "boolean":
            return isinstance(value, bool)
        case "list":
            return isinstance(value, list)
        case "structure":
            return isinstance(value, dict)
        case _:
            return isinstance(value, str)


def _doubts(
    state: RecordState,
    columns: Sequence[Column],
    row: Mapping[str, Any],
    policies: Mapping[str, Any],
) -> _Rows:
    """Return every value of a field that its cells do not tell whole."""
    found: _Rows = []
    for name, held in sorted(state.fields.items()):
        own = [column for column in columns if column.field == name]
        policy = policies.get(name)
        is_chosen = policy is not None and policy.merge in _CHOSEN and not held.is_conflict
        standing = held.values[-1:] if is_chosen else held.values
        told = {column.part: row[column.name] for column in own if row[column.name] is not None}
        whole: Any = told.get("") if own and not own[0].part else told
        if len(standing) == 1 and _is_told(standing[0].value, whole):
            continue
        found += [
            {"record": state.record, "field": name, "value": one.value, "by": one.by}
            for one in standing
        ]
    return found


def _is_told(value: Any, whole: Any) -> bool:  # noqa: ANN401
    if isinstance(value, dict) and isinstance(whole, dict):
        return {key: part for key, part in value.items() if part is not None} == whole
    return bool(value == whole and type(value) is type(whole))


def make_dictionary(catalogue: Catalogue) -> _Rows:
    """Return what each column of each table means, from the catalogue alone."""
    return [
        {
            "table": table,
            "column": column.name,
            "meaning": catalogue.kinds[kind].meaning,
            "type": column.type,
            "unit": column.unit,
            "values": list(column.values),
            "since": column.since,
        }
        for kind, table in TABLES.items()
        for column in list_columns(catalogue, kind)
    ]


def columns_of_table(catalogue: Catalogue, table: str) -> dict[str, str]:
    """Return the columns of a table, by name, each with its type."""
    if table == DOUBTS:
        return {"record": "reference", "field": "text", "value": "any", "by": "reference"}
    if table == DICTIONARY:
        words = dict.fromkeys(("table", "column", "meaning", "type", "unit"), "text")
        return {**words, "values": "list", "since": "whole_number"}
    kind = next(kind for kind, name in TABLES.items() if name == table)
    return {column.name: column.type for column in list_columns(catalogue, kind)}


def write_table(columns: Mapping[str, str], rows: Iterable[Mapping[str, Any]]) -> str:
    """Return rows as CSV (RFC 4180): a header, CRLF, every field quoted.

    Notes
    -----
    What is absent is an empty cell, empty text a lone apostrophe; lists, structures and values of
    any type are JSON.
    """
    out = io.StringIO()
    writer = csv.writer(out, quoting=csv.QUOTE_ALL, lineterminator="\r\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_write(row[name], kind) for name, kind in columns.items()])
    return out.getvalue()


def _write(value: Any, kind: str) -> str:  # noqa: ANN401
    if value is None and kind != "any":
        return ""
    is_json = kind in ("list", "structure", "any", "boolean", "whole_number")
    text = json.dumps(value, ensure_ascii=False) if is_json else str(value)
    return f"'{text}" if not text or text.startswith(_FORMULA) else text


def read_table(columns: Mapping[str, str], content: str) -> _Rows:
    """Return the rows that `write_table` wrote.

    Raises
    ------
    ValueError
        The header is another one.
    """
    reader = csv.reader(io.StringIO(content, newline=""), strict=True)
    header = next(reader, [])
    if header != list(columns):
        raise ValueError("The header is that of another table. Take a table of this release.")
    kinds = list(columns.items())
    return [
        {name: _read(cell, kind) for (name, kind), cell in zip(kinds, row, strict=True)}
        for row in reader
    ]


def _read(cell: str, kind: str) -> Any:  # noqa: ANN401
    if not cell:
        return None
    text = cell.removeprefix("'")
    is_json = kind in ("list", "structure", "any", "boolean", "whole_number")
    return json.loads(text) if is_json else text
