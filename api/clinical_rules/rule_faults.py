"""Says everything that is wrong with a rule file, a sentence each, for whoever wrote it.

`try_rule_file` decides and stops at the first fault. Here people are told of all that can be found
at once, so that a file is not sent back for one row after the other. Pure.
"""

from collections.abc import Iterator, Mapping
from typing import Any

import msgspec

from api.clinical_rules.errors import RuleFileError
from api.clinical_rules.row_types import row_type_of
from api.clinical_rules.rule_file import Row
from api.clinical_rules.rule_trial import lost_rows, status_fault, try_rule_file


class _Rows(msgspec.Struct, frozen=True):
    name: str
    version: int
    rows: tuple[msgspec.Raw, ...]
    status: str = ""


def list_faults(content: bytes, held: Mapping[str, bytes]) -> list[str]:
    """Return what is wrong with a rule file; empty exactly where `try_rule_file` takes it.

    Parameters
    ----------
    content : bytes
        The file as somebody wrote it.
    held : mapping of path to bytes
        The other rule files, with ``in_force.json``.

    Notes
    -----
    Rule WD7. Faults of the head and of rows are told all together; what a calculation finds is
    told once those are mended, since it needs every row.
    """
    first = _first_fault(content, held)
    if not first:
        return []
    faults = list(dict.fromkeys(_row_faults(content, held)))
    return faults if first in faults else [first, *faults]


def _first_fault(content: bytes, held: Mapping[str, bytes]) -> str:
    try:
        try_rule_file(content, held)
    except RuleFileError as error:
        return str(error)
    return ""


def _row_faults(content: bytes, held: Mapping[str, bytes]) -> Iterator[str]:
    try:
        file = msgspec.json.decode(content, type=_Rows)
        row_type = row_type_of(file.name)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError, RuleFileError):
        return
    path = f"{file.name}.v{file.version}.json"
    if wrong_status := status_fault(file.status, path):
        yield wrong_status
    read: list[Row] = []
    for place, raw in enumerate(file.rows, start=1):
        try:
            row: Any = msgspec.json.decode(raw, type=row_type)
        except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
            yield f"Rule file {path}: row {place} cannot be read ({error}). Correct it."
            continue
        read.append(row)
        if not row.source or row.basis is None:
            yield (
                f"Rule file {path}: row {place} has no source or basis. Say where it comes from."
            )
    # A row that cannot be read is not told as lost besides.
    if len(read) == len(file.rows):
        yield from lost_rows(file.name, read, path, held)
