"""All about one patient: every record, every entry in it, and who had it, for the patient to take.

Nothing is summed up or left out; what was struck or replaced is there as well, and says so.
"""

import datetime
import re
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import msgspec

from api.storage.access_log import AccessLine
from api.storage.picture_files import is_digest
from api.storage.unit_store import UnitStore
from api.use_cases.errors import CalculationError
from api.use_cases.record_tree import find_record_tree
from api.use_cases.unit_rules import read_unit_rules
from api.use_cases.wide_accesses import WideAccess, part_accesses, want_accesses
from sync.clock import read_stamp
from sync.merge import RecordState
from sync.operation import Operation, decode_body

_ENTRIES_AT_ONCE = 2_000


class AboutEntry(msgspec.Struct, frozen=True, kw_only=True):
    """One entry in a record: when by the clock of the device, by whom, and what it said."""

    at: str
    by: str
    device: str
    set: dict[str, Any]
    because: str
    strikes: tuple[str, ...]
    is_erased: bool


class AboutRecord(msgspec.Struct, frozen=True, kw_only=True):
    """One record as it stands, and all that was written in it.

    ``shown`` holds every value left of a field: more than one where people disagree.
    """

    record: str
    shown: dict[str, tuple[Any, ...]]
    is_struck: bool
    entries: tuple[AboutEntry, ...]


class AboutPatient(msgspec.Struct, frozen=True, kw_only=True):
    """All that a unit holds about one patient.

    Parameters
    ----------
    is_training : bool
        The unit is in training: its patients are invented (HAZ-52).
    records : tuple of AboutRecord
        The patient's record and all under it.
    elsewhere : tuple of AboutRecord
        Further records that name one of those.
    set_aside : tuple of str
        Texts about them that could not be taken in, as they came.
    access : tuple of AccessLine
        Who had these records, oldest first.
    may_have_held : tuple of WideAccess
        Who was handed whole streams or lists over many, of which nobody noted whom they named.
    people : dict
        Name of each person that is named, by `staff/<id>`.
    pictures : tuple of str
        SHA-256 of the pictures whose bytes are held.
    """

    patient: str
    made_at: str
    is_training: bool
    records: tuple[AboutRecord, ...]
    elsewhere: tuple[AboutRecord, ...]
    set_aside: tuple[str, ...]
    access: tuple[AccessLine, ...]
    may_have_held: tuple[WideAccess, ...]
    people: dict[str, str]
    pictures: tuple[str, ...]


def gather_about_patient(store: UnitStore, patient: str, *, now_ms: int) -> AboutPatient:
    """Return all that the unit holds about a patient.

    Raises
    ------
    CalculationError
        There is no such patient on record.

    Notes
    -----
    [PRIV-04] The caller notes the access before.
    """
    with store.transaction():
        if not patient.startswith("patient/") or not store.operations.of_record(patient):
            message = f"{patient[:80]!r} is no patient on record. Name one: patient/<id>."
            raise CalculationError(message)
        is_training = read_unit_rules(store).is_training
        tree = find_record_tree(store, [patient])
        names = [patient, *(one for one in tree if one != patient)]
        elsewhere = _named_elsewhere(store, names)
        records = tuple(_about(store, name) for name in names)
        others = tuple(_about(store, name) for name in elsewhere)
        wanted = set(names)
        access, wide = part_accesses(store.access.lines(), want_accesses(store, wanted))
        set_aside = tuple(
            one.body for one in store.operations.quarantined() if one.body and _names(one, wanted)
        )
        written = {entry.by for one in (*records, *others) for entry in one.entries}
        askers = {line.who for line in access} | {one.who for one in wide}
        people = _people(store, written | askers)
        pictures = tuple(sorted(_pictures(store, records)))
    return AboutPatient(
        patient=patient,
        made_at=instant_of(now_ms),
        is_training=is_training,
        records=records,
        elsewhere=others,
        set_aside=set_aside,
        access=access,
        may_have_held=wide,
        people=people,
        pictures=pictures,
    )


def _about(store: UnitStore, record: str) -> AboutRecord:
    state = store.views.state_of(record)
    fields = state.fields if state else {}
    return AboutRecord(
        record=record,
        shown={name: tuple(held.value for held in one.values) for name, one in fields.items()},
        is_struck=state.is_entered_in_error if state else False,
        entries=tuple(_entry(one) for one in store.operations.of_record(record)),
    )


def _entry(operation: Operation) -> AboutEntry:
    stamp = read_stamp(operation.stamp)
    body = None if operation.body_text is None else decode_body(operation.body_text)
    return AboutEntry(
        at=instant_of(stamp.wall_ms if stamp else 0),
        by=body.by if body else "",
        device=operation.device,
        set=dict(body.set) if body else {},
        because=body.because if body else "",
        strikes=body.retract if body else (),
        is_erased=body is None,
    )


def _named_elsewhere(store: UnitStore, names: Sequence[str]) -> list[str]:
    """Return the records that name one of these without lying under it, sorted."""
    # One search for the few that others name: a case has hundreds of records under it.
    heads = [one for one in names if one.split("/", 1)[0] in ("patient", "case", "visit")]
    wanted = re.compile("|".join(f'"{re.escape(one)}"' for one in heads))
    found: set[str] = set()
    for stream in dict.fromkeys(kind.stream for kind in store.catalogue.kinds.values()):
        after = 0
        while page := store.operations.of_stream(stream, after=after, limit=_ENTRIES_AT_ONCE):
            after = page[-1].seq
            found.update(
                one.operation.record
                for one in page
                if one.operation.body_text and wanted.search(one.operation.body_text)
            )
    return sorted(found - set(names))


def _names(aside: Any, names: set[str]) -> bool:  # noqa: ANN401  texts that are none of ours
    texts = f"{aside.envelope}{aside.body}"
    return any(f'"{name}"' in texts for name in names)


def _people(store: UnitStore, people: Iterable[str]) -> dict[str, str]:
    found = {}
    for person in sorted(people):
        state = store.views.state_of(person) if person.startswith("staff/") else None
        name = _last(state, "name")
        if isinstance(name, str):
            found[person] = name
    return found


def _last(state: RecordState | None, field: str) -> object:
    held = state.fields.get(field) if state else None
    return held.values[-1].value if held and held.values else None


def _pictures(store: UnitStore, records: Iterable[AboutRecord]) -> Iterator[str]:
    for one in records:
        for value in one.shown.get("file", ()):
            digest = value.get("sha256") if isinstance(value, dict) else None
            if isinstance(digest, str) and is_digest(digest) and store.pictures.is_whole(digest):
                yield digest


def instant_of(ms: int) -> str:
    """Return a moment in ISO 8601, in UTC."""
    moment = datetime.datetime.fromtimestamp(min(ms, 253_402_300_799_000) / 1_000, datetime.UTC)
    return moment.isoformat(timespec="seconds")
