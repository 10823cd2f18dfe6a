"""List everything that waits for a person: conflicts, possible double entries, alarms."""

import datetime
from typing import Literal

import msgspec

from api.record_catalogue.alarms import SeenTo, find_seen_to, name_set_aside
from api.record_catalogue.catalogue import REGISTRY
from api.record_catalogue.double_entries import (
    COIL,
    WINDOW_MS,
    DoubleEntry,
    Why,
    find_double_entries,
    rounds_wanted,
)
from api.storage.connection import FILE_NAME
from api.storage.device_store import Device
from api.storage.operation_store import Quarantined
from api.storage.unit_store import UnitStore
from api.use_cases.brought_logs import list_unsigned
from api.use_cases.judge_acts import tell_waiting
from api.use_cases.judge_file import last_verdict
from api.use_cases.list_conflicts import ConflictRow, list_unit_conflicts
from api.use_cases.older_copy import find_older_copy_claim
from api.use_cases.withdrawn_rule_files import find_withdrawn
from sync.clock import read_stamp
from sync.errors import MalformedOperationError
from sync.merge import shown_value
from sync.operation import read_body, read_operation

_DECISION = "decision"


class Writing(msgspec.Struct, frozen=True, kw_only=True):
    """One record of a possible double entry: who wrote it, on which device, when."""

    record: str
    of_case: str
    by: str
    device: str
    written_ms: int
    is_entered_in_error: bool


class DoubleRow(msgspec.Struct, frozen=True, kw_only=True):
    """Two records that may be one thing (DE1-DE7)."""

    records: tuple[str, str]
    why: Why
    writings: tuple[Writing, ...]


class Alarm(msgspec.Struct, frozen=True, kw_only=True):
    """An operation that the unit could not take in, and what a person has to do.

    ``kind`` is ``fork`` where another operation is held under the same id (LG4), ``damaged`` where
    entries that were taken in cannot be read here any more (LG6), ``older-copy`` where a device
    has read what this store does not hold (EX21), ``withdrawn-rules`` where a rule file is in force
    that the hub has withdrawn (WD5); ``name`` is how a decision speaks of it (CF5).
    """

    name: str
    kind: Literal["fork", "set-aside", "damaged", "older-copy", "withdrawn-rules"]
    op_id: str
    record: str
    sentence: str
    received_ms: int


class SeenAlarm(Alarm, frozen=True, kw_only=True):
    """An alarm that a person has seen to: who, when (wall milliseconds of his device), why."""

    by: str
    written_ms: int
    because: tuple[str, ...]


class Decisions(msgspec.Struct, frozen=True, kw_only=True):
    """Everything that waits for a person in a device's streams; and the alarms seen to."""

    conflicts: tuple[ConflictRow, ...]
    double_entries: tuple[DoubleRow, ...]
    alarms: tuple[Alarm, ...]
    seen_to: tuple[SeenAlarm, ...]


def list_decisions(store: UnitStore, device: Device, *, now_ms: int) -> Decisions:
    """Return what waits for a person in the streams that a device may read (CF1, CF5, DE4)."""
    with store.transaction():
        alarms = [
            *_older_copy(store),
            *_withdrawn_rules(store, now_ms),
            *_damage(store),
            *_unsigned(store, device),
            *_alarms(store, device),
        ]
        seen = _seen_to(store, device) if alarms else {}
        return Decisions(
            conflicts=tuple(list_unit_conflicts(store, device, now_ms=now_ms)),
            double_entries=tuple(
                DoubleRow(
                    records=double.records,
                    why=double.why,
                    writings=tuple(_writing(store, record) for record in double.records),
                )
                for double in list_double_entries(store, device)
            ),
            alarms=tuple(one for one in alarms if one.name not in seen),
            seen_to=tuple(_as_seen(one, seen[one.name]) for one in alarms if one.name in seen),
        )


def _seen_to(store: UnitStore, device: Device) -> dict[str, SeenTo]:
    found = find_seen_to(store.views.of_kind(_DECISION))
    if store.catalogue.stream_of(_DECISION) in device.streams:
        return found
    # That somebody has seen to it is no secret; what he said stands in a stream of others.
    return {
        name: SeenTo(by="", written_ms=one.written_ms, because=()) for name, one in found.items()
    }


def _as_seen(alarm: Alarm, seen: SeenTo) -> SeenAlarm:
    return SeenAlarm(**msgspec.structs.asdict(alarm), **msgspec.structs.asdict(seen))


def list_double_entries(store: UnitStore, device: Device) -> tuple[DoubleEntry, ...]:
    """Return the possible double entries of the unit; none to a device that reads no care."""
    if store.catalogue.stream_of(COIL) not in device.streams:
        return ()
    with store.transaction():
        decisions = store.views.of_kind(_DECISION)
        wanted = set(store.views.reads.alike_implants(WINDOW_MS))
        for decision in decisions:
            about = shown_value(decision.fields.get("about"))
            # A device may write anything into a field: what is no list names nothing.
            if isinstance(about, list):
                wanted |= {one for one in about if isinstance(one, str)}
        states = [state for record in sorted(wanted) if (state := store.views.state_of(record))]
        rounds = {
            record: state
            for record in rounds_wanted(states)
            if (state := store.views.state_of(record))
        }
    return find_double_entries(states, rounds, decisions)


def _writing(store: UnitStore, record: str) -> Writing:
    """Say who wrote a record first, also of one that was struck since."""
    operations = [one for one in store.operations.of_record(record) if one.body_text is not None]
    first = min(operations, key=lambda one: (one.stamp, one.reference))
    body, stamp = read_body(first.body_text or ""), read_stamp(first.stamp)
    state = store.views.state_of(record)
    of_case = body.set.get("case")
    return Writing(
        record=record,
        of_case=of_case if isinstance(of_case, str) else "",
        by=body.by,
        device=first.device,
        written_ms=stamp.wall_ms if stamp else 0,
        is_entered_in_error=state is not None and state.is_entered_in_error,
    )


def _alarms(store: UnitStore, device: Device) -> list[Alarm]:
    found = []
    for texts in store.operations.quarantined():
        try:
            operation = read_operation(texts.envelope, None)
        except MalformedOperationError:
            # Nothing tells its stream: whoever reads all streams of the unit hears of it.
            streams = {kind.stream for kind in store.catalogue.kinds.values()} - {REGISTRY}
            if streams <= set(device.streams):
                found.append(_alarm(texts, "", "set-aside"))
            continue
        if operation.stream not in device.streams:
            continue
        held = store.operations.hash_at(operation.device, operation.epoch, operation.counter)
        is_fork = held is not None and held != operation.hash
        found.append(_alarm(texts, operation.record, "fork" if is_fork else "set-aside"))
    return found


def _unsigned(store: UnitStore, device: Device) -> list[Alarm]:
    """Return an alarm for each log of which others brought what its device did not sign (SG11)."""
    return [
        Alarm(
            name=one.name,
            kind="set-aside",
            op_id=one.op_id,
            record="",
            sentence=one.sentence,
            received_ms=one.received_ms,
        )
        for one in list_unsigned(store)
        if one.stream in device.streams
    ]


def _older_copy(store: UnitStore) -> list[Alarm]:
    claim = find_older_copy_claim(store)
    if claim is None:
        return []
    return [
        Alarm(
            name=name_set_aside("older copy", f"{claim.device}\n{claim.noted_ms}"),
            kind="older-copy",
            op_id=claim.device,
            record="",
            sentence=claim.sentence,
            received_ms=claim.noted_ms,
        )
    ]


def _withdrawn_rules(store: UnitStore, now_ms: int) -> list[Alarm]:
    """Return an alarm for each rule file in force that the hub withdrew; every device hears it."""
    on = datetime.datetime.fromtimestamp(now_ms / 1_000, datetime.UTC).date().isoformat()
    return [
        Alarm(
            # Offered and withdrawn once more it is another alarm.
            name=name_set_aside("withdrawn rules", one.withdrawn_by),
            kind="withdrawn-rules",
            op_id=one.withdrawn_by,
            record="",
            sentence=one.sentence,
            received_ms=one.withdrawn_ms,
        )
        for one in find_withdrawn(store, on=on)
        if one.standing in ("approved", "in force")
    ]


def _damage(store: UnitStore) -> list[Alarm]:
    """Return one alarm about all damaged entries; every device hears it, so it names no record."""
    damaged = store.operations.damaged()
    if not damaged:
        return _damaged_file(store)
    first = damaged[0]
    count = "One entry" if len(damaged) == 1 else f"{len(damaged)} entries"
    return [
        Alarm(
            # One more that is damaged is another alarm: who has seen to these has not seen it.
            name=name_set_aside("damaged", "\n".join(one.op_id for one in damaged)),
            kind="damaged",
            op_id=first.op_id,
            record="",
            sentence=(
                f"{count} of the unit server's store cannot be read as written, {first.op_id} "
                "first. They count for nothing there: put back a backup, and the devices send the "
                "rest again."
            ),
            received_ms=first.received_ms,
        )
    ]


def _damaged_file(store: UnitStore) -> list[Alarm]:
    """Return one alarm where the file is damaged though every entry reads as written."""
    found = last_verdict(store)
    if found is None or found.is_sound:
        return []
    return [
        Alarm(
            name=name_set_aside("damaged", found.verdict),
            kind="damaged",
            op_id=FILE_NAME,
            record="",
            sentence=(
                "The file of the unit server's store is damaged, though every entry in it still "
                "reads as written. Run `crura verify` on the server: where it finds fault, put "
                "back the latest backup, and the devices send the rest again."
            ),
            received_ms=found.judged_ms,
        )
    ]


def _alarm(texts: Quarantined, record: str, kind: Literal["fork", "set-aside"]) -> Alarm:
    # Who has seen to an act that waits has not seen that it was refused: that is another alarm.
    mark = "\nwaits" if texts.sentence == tell_waiting(texts.op_id) else ""
    return Alarm(
        name=name_set_aside(texts.envelope, (texts.body or "") + mark),
        kind=kind,
        op_id=texts.op_id,
        record=record,
        sentence=texts.sentence,
        received_ms=texts.received_ms,
    )
