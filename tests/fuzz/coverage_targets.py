"""What outsiders' bytes reach, as targets of a fuzzer that follows coverage (SEC-32).

Each target takes any bytes and raises only where a promise is broken: a refusal in our own words
is an answer, everything else that comes out is a find.
"""

import datetime
import functools
import json
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

import icalendar
import msgspec

from api.clinical_rules import device_label, rule_file
from api.clinical_rules.clinic_facts import Slot, VisitFacts
from api.clinical_rules.errors import CalculationRefusedError, RuleFileError
from api.clinical_rules.row_types import row_type_of
from api.documents import calendar_feed, past_case_file
from api.documents.past_case_columns import list_columns
from api.routes.exchange import Push
from api.storage.unit_store import read_packaged_catalogue
from api.use_cases.errors import UseCaseError
from sync import operation
from sync.errors import SyncError

# Of the processor and not of the clock, so that other work on the machine is no find (SEC-32).
HANGS_AFTER_SECONDS = 1.0
ON = "2026-03-16"
CORPUS = Path(__file__).parent / "corpus"
_RULE_FILES = Path(__file__).resolve().parents[2] / "api/clinical_rules/data"
_LONGEST_LINE = 75


def processor_seconds() -> float:
    """Return how long this process has held the processor."""
    return time.process_time()


def decode_operations(data: bytes) -> None:
    """Read a push as it comes over the network, then each operation of it (OP1-OP8, EX18).

    What is read is what was sent, letter for letter, and reads the same a second time.
    """
    try:
        push = msgspec.json.decode(data, type=Push)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        # The framework answers these; what is no JSON of that shape never reaches us.
        return
    with suppress(SyncError, UseCaseError):
        for sent in push.read():
            if not isinstance(sent, operation.Operation):
                _read_operation(*sent)


def _read_operation(envelope: str, body: str) -> None:
    try:
        read = operation.read_operation(envelope, body)
    except SyncError as refused:
        _expect(str(refused).endswith("."), "a refusal is one sentence")
        return
    _expect(read.envelope_text == envelope, "the envelope stays as it was sent")
    _expect(read.body_text == body, "the body stays as it was sent")
    _expect(read.hash == operation.hash_text(envelope), "the hash is that of the envelope")
    _expect(operation.read_operation(envelope, body) == read, "it reads the same again")
    content = operation.read_body(body)
    _expect(bool(content.set or content.retract), "it says something")
    _expect(len(content.salt) == 32, "its salt is whole")
    _expect_whole_numbers(content.set)


def _expect_whole_numbers(value: Any) -> None:
    if isinstance(value, Mapping):
        for inner in value.values():
            _expect_whole_numbers(inner)
    elif isinstance(value, list):
        for inner in value:
            _expect_whole_numbers(inner)
    else:
        _expect(not isinstance(value, float), "no fraction passes (OP6)")


def parse_label(data: bytes) -> None:
    """Read what a scanner sends (DL1-DL10): nothing is repaired, and no date is made up."""
    text = data.decode("utf-8", "replace")
    try:
        answer = device_label.read_device_label(text, today_on=ON)
    except CalculationRefusedError as refused:
        _expect(refused.answer["raw"] == text, "what was scanned is kept")
        return
    _expect(answer["raw"] == text, "what was scanned is kept")
    for name in ("made_on", "expires_on"):
        if answer[name] is not None:
            _expect(_is_date(answer[name]), f"{name} is a day of the calendar")
    _expect(
        (answer["expires_on"] is None) == (answer["expired"] is None), "expired by a date alone"
    )
    for name in ("lot", "serial", "gtin", "hibc_identifier"):
        found = answer.get(name)
        _expect(found is None or found in text, f"{name} stands in the code")
    json.dumps(answer)


def _is_date(text: object) -> bool:
    try:
        return datetime.date.fromisoformat(str(text)).isoformat() == text
    except ValueError:
        return False


def import_past_cases(data: bytes) -> None:
    """Read a file of past cases: each row is taken, or named with what is wrong with it."""
    columns = _columns()
    try:
        read = past_case_file.read_past_cases(data, columns, today_on=ON)
    except past_case_file.PastCaseFileError as refused:
        _expect(str(refused).endswith("."), "a refusal is one sentence")
        return
    taken = {case.line for case in read.cases}
    refused_lines = {fault.line for fault in read.faults}
    _expect(not taken & refused_lines, "no row is both taken and refused")
    _expect(len(taken) + len(refused_lines) == read.rows, "no row is lost")
    for case in read.cases:
        _expect(_is_date(case.values["procedure_on"]), "its day is a day of the calendar")
        _expect(case.values["procedure_on"] <= ON, "it is past")
        json.dumps(dict(case.values), ensure_ascii=False).encode()


_COLUMNS: dict[str, Any] = {}


def _columns() -> Mapping[str, Any]:
    if not _COLUMNS:
        _COLUMNS.update(list_columns(read_packaged_catalogue()))
    return _COLUMNS


def load_rule_file(data: bytes) -> None:
    """Read a rule file of a unit (RF1-RF3): whole, under its own name, or not at all.

    The first line is the path it claims, the rest its content.
    """
    path, _, content = data.partition(b"\n")
    name = path.decode("utf-8", "replace")
    try:
        row_type = row_type_of(name.rpartition(".v")[0])
        read = rule_file.read_rule_file(name, content, row_type)
    except RuleFileError as refused:
        _expect(str(refused).endswith("."), "a refusal is one sentence")
        return
    _expect(rule_file.path_of(read) == name, "it is the file it calls itself")
    _expect(len(read.rows) > 0, "it has rows")
    _expect(all(isinstance(row, row_type) for row in read.rows), "each row is of its type")
    kept = json.loads(content)
    _expect(kept["version"] == read.version, "its version is the one in the file")


def write_calendar(data: bytes) -> None:
    """Write a feed of whatever texts devices sent (RFC 5545): no text becomes a line of its own.

    The bytes are lines: place, summary, time of day, day, id of the visit.
    """
    lines = data.decode("utf-8", "replace").split("\x1e")
    place, summary, time, day, visit_id = (*lines, "", "", "", "", "")[:5]
    day = day if _is_date(day) and "1900" < day < "2200" else ON
    time = time if _is_time(time) else ""
    slot = Slot(day, time, place, "clinic_session/s-1", "Europe/London")
    visit = VisitFacts(record=f"visit/{visit_id}", patient="patient/p-1", changed_ms=0, sequence=0)
    events = [calendar_feed.FeedEvent(visit, slot, "CONFIRMED")]
    feed = calendar_feed.write_feed(events, calendar_feed.FeedWords(summary=summary))
    _expect(feed.count(b"\r\n") == feed.count(b"\n") == feed.count(b"\r"), "lines end with CRLF")
    for line in feed.split(b"\r\n"):
        _expect(len(line) <= _LONGEST_LINE, "a line has at most 75 bytes")
    unfolded = feed.replace(b"\r\n ", b"").decode().split("\r\n")
    _expect(unfolded.count("BEGIN:VEVENT") == 1, "no text opens an event")
    names = [line.partition(":")[0].partition(";")[0] for line in unfolded if line]
    _expect(set(names) <= _NAMES, f"no text becomes a line: {set(names) - _NAMES}")
    _expect(not any(set(line) & _CONTROLS for line in unfolded), "no control character")
    (event,) = icalendar.Calendar.from_ical(feed).walk("VEVENT")
    _expect(str(event.get("status")) == "CONFIRMED", "no text changes the status")


_NAMES = frozenset(
    {
        *("BEGIN", "END", "PRODID", "VERSION", "CALSCALE", "UID", "SEQUENCE", "DTSTAMP", "CLASS"),
        *("LAST-MODIFIED", "DTSTART", "DTEND", "SUMMARY", "LOCATION", "STATUS", "TRANSP"),
    }
)
# RFC 5545, section 3.1: CONTROL is all but the horizontal tab.
_CONTROLS = frozenset(map(chr, (*range(9), *range(10, 32), 127)))


def _is_time(text: str) -> bool:
    try:
        return datetime.time.fromisoformat(text).strftime("%H:%M") == text
    except ValueError:
        return False


def _expect(is_kept: bool, promise: str) -> None:
    if not is_kept:
        raise AssertionError(promise)


def within_a_second(play: Callable[[bytes], None]) -> Callable[[bytes], None]:
    """Return a target that breaks a promise too where one input holds the processor for longer."""

    @functools.wraps(play)
    def timed(data: bytes) -> None:
        began = processor_seconds()
        play(data)
        took = processor_seconds() - began
        _expect(took <= HANGS_AFTER_SECONDS, f"no input hangs: this one took {took:.1f} s")

    return timed


TARGETS: Mapping[str, Callable[[bytes], None]] = {
    "operations": within_a_second(decode_operations),
    "labels": within_a_second(parse_label),
    "past_cases": within_a_second(import_past_cases),
    "rule_files": within_a_second(load_rule_file),
    "calendars": within_a_second(write_calendar),
}


def read_corpus(target: str) -> Iterator[tuple[str, bytes]]:
    """Yield the kept inputs of a target, by name."""
    for path in sorted((CORPUS / target).iterdir()):
        yield path.name, path.read_bytes()
