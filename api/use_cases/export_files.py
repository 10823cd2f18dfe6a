"""The files of a de-identified export: each table as CSV, JSON and Parquet, and what tells of them.

The same rows and the same moment give the same bytes (DX5).
"""

import csv
import hashlib
import io
import zipfile
from collections.abc import Mapping
from typing import Any

import msgspec

from api.use_cases.errors import NotAllowedError
from api.use_cases.export_columns import NEVER_HELD, TABLES, ColumnType, ExportTable
from api.use_cases.export_generalising import K
from api.use_cases.export_tables import Cell, ExportRows, Rows

MANIFEST = "manifest.json"
DICTIONARY = "dictionary.json"
README = "README.txt"
NO_PARQUET = (
    "Parquet needs the library pyarrow, which is not installed here. Install it: "
    "pip install 'crura[hub]'."
)
# A file of an archive bears no moment: the manifest does.
_NO_MOMENT = (1980, 1, 1, 0, 0, 0)


class Manifest(msgspec.Struct, frozen=True, kw_only=True):
    """What an export is, who asked for it and why, and the hash of each file (DX4)."""

    wording: str
    project: str
    purpose: str
    asked_by: str
    approved_by: str
    made_at: str
    from_on: str
    until_on: str
    k: int
    generalised_to: str
    held_back: int
    missing: int
    fields: int
    refused: int
    rows: dict[str, int]
    rule_versions: dict[str, int]
    catalogue: int
    caution: str
    sha256: dict[str, str]


def caution_of(rows: ExportRows) -> str:
    """Return what stands beside every export (CAU-10)."""
    missing = f"{rows.missing} of {rows.fields} fields that were to be recorded"
    return f"Small numbers. Not a ranking. Missing data: {missing}."


def write_table_files(rows: ExportRows, *, with_parquet: bool = True) -> dict[str, bytes]:
    """Return the files of all tables by name.

    Raises
    ------
    NotAllowedError
        Parquet is asked for and its library is not installed.
    """
    files: dict[str, bytes] = {}
    for table in TABLES:
        held = rows.tables[table.name]
        files[f"{table.name}.csv"] = _write_csv(table, held)
        files[f"{table.name}.json"] = msgspec.json.format(msgspec.json.encode(held), indent=1)
        if with_parquet:
            files[f"{table.name}.parquet"] = _write_parquet(table, held)
    return files


def write_manifest(manifest: Manifest) -> bytes:
    """Return the manifest as JSON."""
    return msgspec.json.format(msgspec.json.encode(manifest), indent=1)


def write_readme(manifest: Manifest) -> bytes:
    """Return the page that a reader opens first."""
    lines = [
        f"Pseudonymised data of project {manifest.project}",
        "",
        f"Purpose: {manifest.purpose}",
        f"Asked for by {manifest.asked_by}, approved by {manifest.approved_by}, "
        f"made {manifest.made_at}.",
        "",
        manifest.wording,
        "",
        f"Told of each patient: {manifest.generalised_to}. Shared by at least {manifest.k} "
        f"patients; of {manifest.held_back} patients these are held back.",
        f"{NEVER_HELD} Time since the first treatment is told in days.",
        manifest.caution,
        "",
        f"{DICTIONARY} says what each column means; {MANIFEST} names every file with its SHA-256.",
        "",
    ]
    return "\n".join(lines).encode()


def digests_of(files: Mapping[str, bytes]) -> dict[str, str]:
    """Return the SHA-256 of each file, by name."""
    return {name: hashlib.sha256(content).hexdigest() for name, content in sorted(files.items())}


def pack(files: Mapping[str, bytes]) -> bytes:
    """Return all files as one archive."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
        for name, content in sorted(files.items()):
            entry = zipfile.ZipInfo(name, _NO_MOMENT)
            entry.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(entry, content)
    return out.getvalue()


def unpack(archive: bytes) -> dict[str, bytes]:
    """Return the files of an archive."""
    with zipfile.ZipFile(io.BytesIO(archive)) as packed:
        return {name: packed.read(name) for name in packed.namelist()}


def wording() -> str:
    """Return what an export is called, and what it is not [PRIV-06]."""
    return (
        "This is pseudonymised data of a limited set, and still data about people: a person may "
        "be found again by who knows more. Keep it as the agreement of the project says, do not "
        f"join it with other sets, and tell no group of fewer than {K}."
    )


def cell_text(value: Cell) -> str:
    """Return a cell as CSV has it: nothing for None, true and false in small letters."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return str(value)


def _write_csv(table: ExportTable, rows: Rows) -> bytes:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(column.name for column in table.columns)
    writer.writerows([cell_text(value) for value in row.values()] for row in rows)
    return out.getvalue().encode()


def _write_parquet(table: ExportTable, rows: Rows) -> bytes:
    try:
        import pyarrow as arrow
        from pyarrow import parquet
    except ImportError as error:
        raise NotAllowedError(NO_PARQUET) from error
    kinds: Mapping[ColumnType, Any] = {
        "whole_number": arrow.int64(),
        "boolean": arrow.bool_(),
    }
    schema = arrow.schema(
        [(column.name, kinds.get(column.type, arrow.string())) for column in table.columns]
    )
    out = io.BytesIO()
    parquet.write_table(arrow.Table.from_pylist(rows, schema=schema), out, compression="zstd")
    return out.getvalue()


def read_parquet(content: bytes) -> Rows:
    """Return the rows of a Parquet file.

    Raises
    ------
    NotAllowedError
        Its library is not installed.
    """
    try:
        from pyarrow import parquet
    except ImportError as error:
        raise NotAllowedError(NO_PARQUET) from error
    rows: Rows = parquet.read_table(io.BytesIO(content)).to_pylist()
    return rows
