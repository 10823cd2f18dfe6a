"""Reads a file of past cases; each cell that cannot be taken gets one sentence. Pure."""

import csv
import io
from collections.abc import Mapping
from typing import Any

import msgspec

from api.documents.past_case_cells import CellError, Column
from api.documents.past_case_columns import LABS, say_unknown_header
from api.documents.past_case_implants import find_wrong_implants

MOST_ROWS = 5_000
MOST_BYTES = 8_000_000
_NEEDED = ("local_number", "procedure_on")
_PERSON = ("local_number", "family_name", "given_name", "born_on")


class PastCaseFileError(ValueError):
    """The file cannot be read at all; the sentence says what to do."""


class Fault(msgspec.Struct, frozen=True):
    """A cell that cannot be taken: line of the file, header, and what to do."""

    line: int
    column: str
    sentence: str


class PastCase(msgspec.Struct, frozen=True):
    """One row that can be taken: header to value, as the record keeps it.

    `asks_bleeds` says that the file has a column of bleeds: an empty cell of it is an answer.
    """

    line: int
    values: Mapping[str, Any]
    asks_bleeds: bool = False

    def person(self) -> tuple[Any, ...]:
        """Return what tells the person."""
        return tuple(self.values.get(name, "") for name in _PERSON)

    def place(self) -> tuple[str, str, int]:
        """Return which case of which patient and day it is: of one place there is one case."""
        values = self.values
        number = plain_text(values["local_number"])
        return number, values["procedure_on"], values.get("case_of_day", 1)


class PastCaseFile(msgspec.Struct, frozen=True):
    """What a file holds: rows that can be taken, and why others cannot."""

    rows: int
    cases: list[PastCase]
    faults: list[Fault]


def plain_text(text: str) -> str:
    """Return a number or a name as two of them are compared: without blanks and capitals."""
    return "".join(text.split()).casefold()


def write_template(known: Mapping[str, Column]) -> str:
    """Return a template as CSV: the headers, what each means, and one invented case.

    Notes
    -----
    The second line begins with ``#`` and is passed over when the file is read.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    offered = [one for one in known.values() if not one.is_rare]
    columns = [one for one in offered if one.example or one.quantity == one.header]
    writer.writerow([one.header for one in columns])
    writer.writerow([("# " if one is columns[0] else "") + one.meaning for one in columns])
    writer.writerow([one.example for one in columns])
    return out.getvalue()


def read_past_cases(content: bytes, known: Mapping[str, Column], *, today_on: str) -> PastCaseFile:
    """Return what a file holds.

    Parameters
    ----------
    known : mapping
        Every column that is understood, by header.
    today_on : str
        Civil date of today: nothing of the past is after it, no next visit before the last.

    Raises
    ------
    PastCaseFileError
        The file as a whole cannot be read.
    """
    rows = _read_rows(content)
    header = [cell.strip() for cell in rows[0][1]]
    _check_header(header, known)
    cases: list[PastCase] = []
    faults: list[Fault] = []
    seen: dict[str, PastCase] = {}
    count = 0
    for line, row in rows[1:]:
        if row and row[0].startswith("#"):
            continue
        count += 1
        if len(row) != len(header):
            sentence = f"This row has {len(row)} cells, the header {len(header)}. Make them equal."
            faults.append(Fault(line, "", sentence))
            continue
        values, wrong = _read_row(line, dict(zip(header, row, strict=True)), known)
        case = PastCase(line, values, asks_bleeds="rebleed_on" in header)
        wrong += _find_contradictions(case, today_on) if not wrong else []
        wrong += _find_stranger(case, seen) if not wrong else []
        if wrong:
            faults += wrong
        else:
            seen.setdefault(plain_text(values["local_number"]), case)
            cases.append(case)
    return PastCaseFile(count, cases, faults)


def _read_rows(content: bytes) -> list[tuple[int, list[str]]]:
    if len(content) > MOST_BYTES:
        message = f"The file has more than {MOST_BYTES} bytes. Split it and import each part."
        raise PastCaseFileError(message)
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        message = f"Line {line} is not UTF-8. Save the file as CSV in UTF-8."
        raise PastCaseFileError(message) from error
    if "\x00" in text:
        raise PastCaseFileError("The file is not text. Save it as CSV in UTF-8.")
    first = text.partition("\n")[0]
    if "," not in first and (";" in first or "\t" in first):
        raise PastCaseFileError("Cells are parted by semicolons or tabs. Save with commas.")
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    rows: list[tuple[int, list[str]]] = []
    line = 1
    try:
        for row in reader:
            if any(cell.strip() for cell in row):
                rows.append((line, row))
            if len(rows) > MOST_ROWS + 2:
                message = f"The file has more than {MOST_ROWS} rows. Split it, import each part."
                raise PastCaseFileError(message)
            line = reader.line_num + 1
    except csv.Error as error:
        message = f"Line {line} has quotes that do not close or a cell too long. Correct it there."
        raise PastCaseFileError(message) from error
    if not rows[1:]:
        raise PastCaseFileError("The file has no row below a header. Fill in the template.")
    return rows


def _check_header(header: list[str], known: Mapping[str, Column]) -> None:
    for name in header:
        if name not in known:
            message = f"The header {name[:40]!r} is not known. {say_unknown_header(name, known)}"
            raise PastCaseFileError(message)
    quantities: dict[str, str] = {}
    for name in header:
        quantity = known[name].quantity
        if quantity in quantities:
            message = f"{quantities[quantity]} and {name} mean the same. Keep one of them."
            raise PastCaseFileError(message)
        quantities[quantity] = name
    missing = [name for name in _NEEDED if name not in header]
    if missing:
        message = f"The column {missing[0]} is missing. Add it: each case needs it."
        raise PastCaseFileError(message)


def _read_row(
    line: int, row: Mapping[str, str], known: Mapping[str, Column]
) -> tuple[dict[str, Any], list[Fault]]:
    values: dict[str, Any] = {}
    faults = []
    for header, cell in row.items():
        text = " ".join(cell.split())
        if not text:
            if header in _NEEDED:
                faults.append(Fault(line, header, "It is empty. Each case needs it."))
            continue
        try:
            values[header] = known[header].read(text)
        except CellError as error:
            faults.append(Fault(line, header, str(error)))
    return values, faults


def _find_contradictions(case: PastCase, today_on: str) -> list[Fault]:
    """Return what cannot be true together."""
    values, found = case.values, []

    def has(prefix: str) -> bool:
        return any(name.startswith(prefix) for name in values)

    def refuse(column: str, sentence: str) -> None:
        found.append(Fault(case.line, column, sentence))

    happened = ("adverse_event_on", "rebleed_on", "last_visit_on")
    for name in ("born_on", "procedure_on", "labs_taken_on", *happened, "ended_on"):
        if values.get(name, "") > today_on:
            refuse(name, "The day is still to come. Correct it.")
    day = values["procedure_on"]
    if values.get("born_on", "") > day:
        refuse("born_on", "The patient was born after the procedure. Correct one of the days.")
    if "" < values.get("last_visit_on", "") < day:
        refuse("last_visit_on", "The visit is before the procedure. Correct one of the days.")
    last = max(day, values.get("last_visit_on", ""))
    if "" < values.get("next_visit_on", "") <= last:
        refuse("next_visit_on", "The next visit is not after the last day. Correct it.")
    found += _find_wrong_events(case, max([day, *(values.get(name, "") for name in happened)]))
    if "last_visit_obliterated" in values and "last_visit_on" not in values:
        refuse("last_visit_on", "A finding needs the day of its visit. Add it.")
    for column, sentence in find_wrong_implants(values):
        refuse(column, sentence)
    if any(has(f"{name}_") for name in LABS) and "labs_taken_on" not in values:
        refuse("labs_taken_on", "Laboratory values need the day on which blood was taken. Add it.")
    return found


def _find_wrong_events(case: PastCase, last_on: str) -> list[Fault]:
    """Return what cannot be true of later events and of the end; nothing ends before `last_on`."""
    values, day = case.values, case.values["procedure_on"]
    event, event_on = values.get("adverse_event", "none"), values.get("adverse_event_on", "")
    rebleed_on, ended_on = values.get("rebleed_on", ""), values.get("ended_on", "")
    wrong = (
        (
            event_on != "" and event == "none",
            "adverse_event",
            "A day is given and no adverse event. Name it, or leave the day out.",
        ),
        (
            "" < event_on < day,
            "adverse_event_on",
            "The adverse event is before the procedure. Correct one of the days.",
        ),
        (
            "" < rebleed_on <= day,
            "rebleed_on",
            "A rebleed comes after the day of the procedure. Correct the day, or write the bleed "
            "of that day as adverse_event.",
        ),
        (
            "rebleed_source" in values and not rebleed_on,
            "rebleed_on",
            "A source needs the day of its bleed. Add it.",
        ),
        (
            "ended_because" in values and not ended_on,
            "ended_on",
            "An end needs its day. Add it.",
        ),
        (
            ended_on != "" and "ended_because" not in values,
            "ended_because",
            "A day of an end needs its reason. Add it.",
        ),
        (
            "" < ended_on < last_on,
            "ended_on",
            "The end is before the last day that is told. Correct one of the days.",
        ),
        (
            ended_on != "" and "next_visit_on" in values,
            "next_visit_on",
            "A follow-up that ended has no next visit. Leave one of them out.",
        ),
    )
    return [Fault(case.line, column, sentence) for is_wrong, column, sentence in wrong if is_wrong]


def _find_stranger(case: PastCase, seen: Mapping[str, PastCase]) -> list[Fault]:
    """Return a fault where another row has the number of this one and is another person."""
    other = seen.get(plain_text(case.values["local_number"]))
    if other is None or other.person()[1:] == case.person()[1:]:
        return []
    sentence = f"Line {other.line} has this number with another name or birth date. Correct one."
    return [Fault(case.line, "local_number", sentence)]
