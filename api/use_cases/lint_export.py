"""The linter of de-identified exports: reads the files themselves and names every leak (HAZ-49).

It trusts nothing of what made them but the list of columns and the catalogue.
"""

import csv
import hashlib
import io
import re
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping
from typing import Any

import msgspec

from api.record_catalogue.catalogue import Catalogue
from api.use_cases.export_columns import SHAPES, TABLES, Column, ExportTable, values_of
from api.use_cases.export_files import DICTIONARY, MANIFEST, README, cell_text, read_parquet
from api.use_cases.export_generalising import K

_Row = Mapping[str, str]
_QUASI = tuple(column.name for column in TABLES[0].columns if column.is_quasi)
# Ids of the record are longer than pseudonyms of a project, and a unit's has its word in front.
_RECORD_ID = re.compile(rb"[0-9a-f]{17,63}(?![0-9a-f])|[a-z_]+/[0-9a-f-]{8,}|unit-[0-9a-f]{8,}")
_CALLED_WRONGLY = re.compile(rb"anonym", re.IGNORECASE)
_NEEDED = ("wording", "project", "purpose", "asked_by", "approved_by", "made_at", "caution")


def lint_export(
    files: Mapping[str, bytes], catalogue: Catalogue, *, never: Collection[str] = ()
) -> list[str]:
    """Return what is wrong with an export, a sentence each; empty where it may leave.

    Parameters
    ----------
    files : mapping of name to bytes
        All of it, with the manifest.
    never : collection of str
        Texts that may stand nowhere: ids of the record, keys, names.

    Notes
    -----
    Rule DX4. Every table is read in each of its formats; what one of them holds more is found.
    """
    found: list[str] = []
    tables: dict[str, list[_Row]] = {}
    expected = {MANIFEST, DICTIONARY, README}
    for table in TABLES:
        names = [name for name in files if name.rpartition(".")[0] == table.name]
        expected.update(names)
        read = {name: _read(name, files[name]) for name in sorted(names)}
        if f"{table.name}.csv" not in read:
            found.append(f"{table.name}.csv is missing. Make the export again.")
            continue
        tables[table.name] = read[f"{table.name}.csv"]
        for name, rows in read.items():
            found += _lint_cells(name, table, rows, catalogue)
            if rows != tables[table.name]:
                found.append(f"{name} does not hold the same rows as {table.name}.csv.")
    found += [f"{name} is no part of an export." for name in sorted(set(files) - expected)]
    if len(tables) == len(TABLES):
        found += _lint_groups(tables["patients"])
        found += _lint_dates(tables)
        found += _lint_references(tables)
    found += _lint_texts(files, never)
    return [*found, *_lint_manifest(files)]


def _read(name: str, content: bytes) -> list[_Row]:
    if name.endswith(".csv"):
        return [
            {str(key): value or "" for key, value in row.items()}
            for row in csv.DictReader(io.StringIO(content.decode()))
        ]
    read: list[dict[str, Any]] = (
        read_parquet(content)
        if name.endswith(".parquet")
        else msgspec.json.decode(content, type=list[dict[str, Any]])
    )
    return [{key: cell_text(value) for key, value in row.items()} for row in read]


def _lint_cells(
    name: str, table: ExportTable, rows: Iterable[_Row], catalogue: Catalogue
) -> Iterator[str]:
    columns = {column.name: column for column in table.columns}
    told: set[tuple[str, str]] = set()
    for place, row in enumerate(rows, start=1):
        for key, text in row.items():
            column = columns.get(key)
            if column is None:
                fault = f"{name} has a column {key[:60]!r} that no export has."
            elif text and not _fits(table, column, text, catalogue):
                fault = f"{name}, row {place}: {key} holds what a {column.type} may not be."
            else:
                continue
            if (key, fault[:20]) not in told:
                told.add((key, fault[:20]))
                yield fault


def _fits(table: ExportTable, column: Column, text: str, catalogue: Catalogue) -> bool:
    if column.type in SHAPES:
        return SHAPES[column.type].fullmatch(text) is not None
    values = values_of(catalogue, table, column)
    return all(one in values for one in (text.split(";") if column.type == "list" else [text]))


def _lint_groups(patients: Iterable[_Row]) -> Iterator[str]:
    groups = Counter(tuple(row.get(name, "") for name in _QUASI) for row in patients)
    small = [group for group, count in groups.items() if count < K and any(group)]
    if small:
        yield (
            f"{len(small)} groups of patients alike in {', '.join(_QUASI)} have fewer than {K} "
            "members. Generalise further, or hold them back."
        )


def _lint_dates(tables: Mapping[str, list[_Row]]) -> Iterator[str]:
    """Name tables that tell a date of a patient whose period of treatment is held back."""
    hidden = {row["patient"] for row in tables["patients"] if not row.get("treated_period")}
    dates = {
        table.name: [column.name for column in table.columns if column.type == "date"]
        for table in TABLES
    }
    for name, rows in tables.items():
        of_hidden = [row for row in rows if row.get("patient") in hidden]
        if any(row.get(date) for row in of_hidden for date in dates[name]):
            yield f"{name} tells dates of patients whose period of treatment is held back."


def _lint_references(tables: Mapping[str, list[_Row]]) -> Iterator[str]:
    patients = [row.get("patient", "") for row in tables["patients"]]
    if len(set(patients)) != len(patients):
        yield "A patient stands twice in patients."
    for name, rows in tables.items():
        if any(row.get("patient") not in patients for row in rows):
            yield f"{name} speaks of a patient who is not in patients."


def _lint_texts(files: Mapping[str, bytes], never: Collection[str]) -> Iterator[str]:
    for name, content in sorted(files.items()):
        text = _without_digests(name, content)
        if _CALLED_WRONGLY.search(text):
            yield f"{name} calls the data what it is not: it is pseudonymised."
        if _RECORD_ID.search(text) and not name.endswith(".parquet"):
            yield f"{name} holds an id of the record."
        if any(one and one.encode() in content for one in never):
            yield f"{name} holds what was never to leave."


def _without_digests(name: str, content: bytes) -> bytes:
    # The manifest names each file by 64 digits, which no record bears.
    return re.sub(rb"[0-9a-f]{64}", b"", content) if name == MANIFEST else content


def _lint_manifest(files: Mapping[str, bytes]) -> Iterator[str]:
    try:
        manifest = msgspec.json.decode(files.get(MANIFEST, b""), type=dict[str, Any])
    except msgspec.MsgspecError:
        yield f"{MANIFEST} cannot be read. Make the export again."
        return
    for key in _NEEDED:
        if not manifest.get(key):
            yield f"{MANIFEST} does not say {key.replace('_', ' ')}."
    if manifest.get("asked_by") == manifest.get("approved_by"):
        yield f"{MANIFEST}: one person asked for it and approved it."
    digests = manifest.get("sha256")
    held = {
        name: hashlib.sha256(content).hexdigest()
        for name, content in files.items()
        if name not in (MANIFEST, README)
    }
    if digests != held:
        yield f"{MANIFEST} does not name the files as they are. Make the export again."
