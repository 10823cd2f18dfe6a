"""Past cases from a file into the record: looked at, taken when a person says so, undone whole.

The server writes them in its own log, in one transaction. Who may be the same person as somebody
on record is listed and never joined.
"""

import hashlib
from collections.abc import Callable, Iterable
from datetime import UTC, datetime

import msgspec

from api.clinical_rules.typed_lots import says_no_lot
from api.documents.past_case_columns import list_columns
from api.documents.past_case_doubles import leave_out_doubles
from api.documents.past_case_file import (
    Fault,
    PastCase,
    PastCaseFile,
    PastCaseFileError,
    plain_text,
    read_past_cases,
)
from api.documents.past_case_records import number_in, write_case, write_patient
from api.storage.unit_store import UnitStore
from api.use_cases.active_staff import refuse_stranger
from api.use_cases.errors import CalculationError, NotAllowedError
from api.use_cases.past_case_matches import Similar, find_similar, leave_out_imported
from api.use_cases.record_values import text_of
from api.use_cases.server_log import (
    SERVER_DEVICE,
    Chance,
    ServerDraft,
    write_all_as_server,
)

TAKEN, UNDONE = "taken", "undone"
_UNDER = ("case", "patient", "visit")


class ImportReport(msgspec.Struct, frozen=True, kw_only=True):
    """What a file holds and what became of it.

    Parameters
    ----------
    record : str
        ``past_import/<id>`` of what was taken, "" after a look alone.
    one_person : list of list of int
        Lines with one number, name and birth date: they are one patient.
    without_next : list of int
        Lines without a next visit and without an end: the follow-up check will list their patients.
    lot_unknown : list of int
        Lines with a word for "nobody knows" where a lot stands, as "n/a": taken as lot unknown.
    """

    rows: int
    can_be_taken: int
    faults: list[Fault]
    similar: list[Similar]
    one_person: list[list[int]]
    without_next: list[int]
    lot_unknown: list[int]
    record: str


class UndoneImport(msgspec.Struct, frozen=True):
    """How many records were struck, and which ones people have built on and are kept."""

    struck: int
    kept: list[str]


def look_at_past_cases(store: UnitStore, content: bytes, *, on: str) -> ImportReport:
    """Return what taking a file would do; nothing is written.

    Raises
    ------
    CalculationError
        The file cannot be read.
    NotAllowedError
        It was taken before.
    """
    with store.transaction():
        _refuse_known(store, content)
        return _report(store, _read(store, content, on), "")


def take_past_cases(
    store: UnitStore,
    file_name: str,
    content: bytes,
    *,
    by: str,
    because: str,
    on: str,
    draw_chance: Callable[[], Chance],
) -> ImportReport:
    """Write every row that can be taken, as one act; rows with a fault are listed and left out.

    Raises
    ------
    CalculationError
        The file cannot be read, or no row of it can be taken.
    NotAllowedError
        It was taken before, nobody of the unit takes it, or no reason is given.
    """
    if not because.strip():
        raise NotAllowedError("Say why the cases are taken in: --because.")
    with store.transaction():
        refuse_stranger(store, by)
        _refuse_known(store, content)
        file = _read(store, content, on)
        if not file.cases:
            raise CalculationError("No row can be taken. Correct the rows that are listed.")
        first = draw_chance()
        record = f"past_import/{first.new_id}"
        report = _report(store, file, record)
        head = ServerDraft(
            record=record,
            fields={
                "file_name": file_name[:200],
                "sha256": hashlib.sha256(content).hexdigest(),
                "rows": file.rows,
                "taken": len(file.cases),
                "at": _instant(first.now_ms),
                "state": TAKEN,
            },
        )
        drafts = [head, *_drafts(store, file.cases, first.new_id)]
        write_all_as_server(store, drafts, by=by, because=because.strip(), draw_chance=draw_chance)
    return report


def undo_import(
    store: UnitStore, record: str, *, by: str, because: str, draw_chance: Callable[[], Chance]
) -> UndoneImport:
    """Strike everything of an import, patient by patient, except where people built on it.

    Raises
    ------
    NotAllowedError
        There is no such import, it was undone, or nobody of the unit undoes it.
    """
    name = record if record.startswith("past_import/") else f"past_import/{record}"
    mark = name.partition("/")[2]
    with store.transaction():
        refuse_stranger(store, by)
        state = store.views.state_of(name)
        if state is None or text_of(state, "state") != TAKEN:
            message = f"{name[:60]!r} is no import that stands. Name one: past_import/<id>."
            raise NotAllowedError(message)
        own = {
            one: number
            for one in store.operations.records()
            if (number := number_in(one, mark)) is not None
        }
        built_on, changed = _find_built_on(store, own)
        kept = sorted(changed)
        drafts = [
            ServerDraft(record=one, retract=standing.heads)
            for one, number in own.items()
            if number not in built_on
            and (standing := store.views.state_of(one)) is not None
            and standing.heads
        ]
        held = state.fields["state"]
        end = ServerDraft(record=name, fields={"state": UNDONE}, over={"state": held.references})
        write_all_as_server(
            store,
            [*drafts, end],
            by=by,
            because=because.strip() or "import undone",
            draw_chance=draw_chance,
        )
    return UndoneImport(len(drafts), kept)


def _find_built_on(store: UnitStore, own: dict[str, int]) -> tuple[set[int], set[str]]:
    """Return the patients on whose records people wrote since, and the records that they wrote."""
    built_on: set[int] = set()
    changed: set[str] = set()
    for name, operations in store.operations.of_records(own).items():
        if any(one.device != SERVER_DEVICE for one in operations):
            built_on.add(own[name])
            changed.add(name)
    for kind in store.catalogue.kinds.values():
        parents = [one.id for one in kind.fields if one.id in _UNDER]
        if not parents:
            continue
        for state in store.views.of_kind(kind.id):
            # A record of the import that people put elsewhere builds on where it stands now.
            is_untouched = state.record in own and state.record not in changed
            if is_untouched or state.is_entered_in_error:
                continue
            named = {own[one] for field in parents if (one := text_of(state, field)) in own}
            if named:
                built_on |= named
                changed.add(state.record)
    return built_on, changed


def _read(store: UnitStore, content: bytes, on: str) -> PastCaseFile:
    try:
        file = read_past_cases(content, list_columns(store.catalogue), today_on=on)
    except PastCaseFileError as error:
        raise CalculationError(str(error)) from error
    return leave_out_imported(store, leave_out_doubles(file))


def _refuse_known(store: UnitStore, content: bytes) -> None:
    digest = hashlib.sha256(content).hexdigest()
    for state in store.views.of_kind("past_import"):
        if text_of(state, "sha256") == digest and text_of(state, "state") == TAKEN:
            message = f"This file was taken before ({state.record}). Undo that import first."
            raise NotAllowedError(message)


def _report(store: UnitStore, file: PastCaseFile, record: str) -> ImportReport:
    people = _by_person(file.cases)
    return ImportReport(
        rows=file.rows,
        can_be_taken=len(file.cases),
        faults=file.faults,
        similar=list(find_similar(store, file.cases)),
        one_person=[[one.line for one in cases] for cases in people.values() if len(cases) > 1],
        without_next=[
            one.line for one in file.cases if not {"next_visit_on", "ended_because"} & {*one.values}
        ],
        lot_unknown=[
            one.line
            for one in file.cases
            if any(
                says_no_lot(value)
                for name, value in one.values.items()
                if name.endswith("_lot") and isinstance(value, str)
            )
        ],
        record=record,
    )


def _by_person(cases: Iterable[PastCase]) -> dict[str, list[PastCase]]:
    """Return the rows by local number: the file was read so that one number is one person."""
    people: dict[str, list[PastCase]] = {}
    for case in cases:
        people.setdefault(plain_text(case.values["local_number"]), []).append(case)
    return people


def _drafts(store: UnitStore, cases: Iterable[PastCase], mark: str) -> Iterable[ServerDraft]:
    known = list_columns(store.catalogue)
    for number, own in enumerate(_by_person(cases).values(), 1):
        patient, fields = write_patient(own[0], mark, number)
        yield ServerDraft(record=patient, fields=fields)
        for case in own:
            for record, content in write_case(case, known, mark, number):
                yield ServerDraft(record=record, fields=content)


def _instant(ms: int) -> str:
    return datetime.fromtimestamp(ms // 1_000, UTC).isoformat()
