"""What a simulated tablet changes on its disk: taking in, going on after forks, dropping.

A model of the browser app's store (`pwa/src/storage/`), written to the same rules; the decisions
to do so are the product's own (`sync.exchange_machine`, `sync.reissue`).
"""

from collections.abc import Mapping

import msgspec

from api.storage.bundle import Bundle
from sync.clock import read_stamp, take_notice
from sync.exchange import LastRead
from sync.exchange_messages import (
    AnyHeard,
    BeginOffer,
    EndOffer,
    EndRecovery,
    NoteHeld,
    ReadOwn,
    Recover,
    Reissue,
    Reissued,
    Said,
)
from sync.merge import merge_record, shown_value
from sync.merge_policies import FieldPolicy
from sync.operation import Operation, read_body, read_operation
from sync.operation_log import Place, place_operation
from sync.reissue import reissue_branch
from sync.signing import BroughtHead
from tests.simulator.tablet_disk import Dropped, Memory

KEEP_MS = 30 * 86_400_000
Policies = Mapping[str, Mapping[str, FieldPolicy]]


def take_in(memory: Memory, operation: Operation, own: str, wall_ms: int) -> None:
    """Take in one operation that the unit handed out."""
    place = operation.device, operation.epoch, operation.counter
    held = memory.operations.get(place)
    if held is None:
        if operation.device == own and not _continue_own(memory, operation):
            return
        memory.insert(operation, wall_ms)
    elif place_operation(None, operation, held.hash) is Place.FORK:
        if operation.device == own:
            memory.change_epoch(operation.epoch, held=0)
            return
        if not (memory.has_known_put_back or memory.has_taken_file):
            _set_aside(memory, operation)
            return
        _set_aside(memory, held)
        memory.insert(operation, wall_ms)
    elif held.body_text is None:
        memory.operations[place] = operation
    else:
        return
    _want_dropped(memory, operation)
    stamp = read_stamp(operation.stamp)
    assert stamp is not None
    memory.clock = take_notice(memory.clock, stamp, wall_ms=wall_ms)


def _continue_own(memory: Memory, operation: Operation) -> bool:
    """Say whether an own operation that only the unit held goes on where the log is held."""
    epoch, counter = operation.epoch, operation.counter
    before = memory.operations.get((operation.device, epoch, counter - 1))
    own = memory.epochs.get(epoch)
    is_unsent = own is not None and own.counter > own.held
    if is_unsent if before is None else before.hash != operation.previous:
        # It follows the other branch of a fork: the next handshake settles that first (EX9).
        if own is not None:
            memory.change_epoch(epoch, held=0)
        return False
    held = counter if own is None else own.held if is_unsent else max(own.held, counter)
    if own is None or counter > own.counter:
        memory.change_epoch(epoch, counter=counter, hash=operation.hash)
    memory.change_epoch(epoch, held=held)
    return True


def _set_aside(memory: Memory, operation: Operation) -> None:
    texts = operation.envelope_text, operation.body_text or ""
    memory.quarantine[texts] = f"Two devices wrote as {operation.device}: {operation.op_id}"


def take_in_file(
    memory: Memory, bundle: Bundle, own: str, streams: tuple[str, ...], ms: int
) -> None:
    """Take in a bundle: own entries continue the own log alone, of others' two pasts are seen."""
    for envelope, body in bundle.operations:
        operation = read_operation(envelope, body)
        device, epoch, counter = operation.device, operation.epoch, operation.counter
        if operation.stream not in streams:
            continue
        held = memory.operations.get((device, epoch, counter))
        held_hash = held.hash if held else None
        if device == own:
            tip = memory.tip(epoch) if epoch in memory.epochs else None
            place = place_operation(tip, operation, held_hash)
            if place is Place.GAP:
                continue
            if place is Place.NEXT:
                memory.change_epoch(epoch, counter=counter, hash=operation.hash)
        else:
            place = _place_of_other(memory, operation, held_hash)
        if place is Place.FORK:
            _set_aside(memory, operation)
        elif place is Place.NEXT:
            memory.insert(operation, ms)
        elif held is not None and held.body_text is None:
            memory.operations[device, epoch, counter] = operation
        else:
            continue
        memory.has_taken_file |= device != own and place is Place.NEXT
        _want_dropped(memory, operation)
        stamp = read_stamp(operation.stamp)
        assert stamp is not None
        noticed_ms = stamp.wall_ms if device == own else ms
        memory.clock = take_notice(memory.clock, stamp, wall_ms=noticed_ms)
    for one in bundle.signatures:
        if one.device != own:
            head = BroughtHead(one.device, one.epoch, one.counter, one.hash, one.signature)
            memory.heads[head] = None
    show_whole_cases(memory)


def _place_of_other(memory: Memory, operation: Operation, held_hash: str | None) -> Place:
    log, counter = (operation.device, operation.epoch), operation.counter
    if held_hash is not None:
        return Place.HELD if held_hash == operation.hash else Place.FORK
    before = memory.operations.get((*log, counter - 1))
    after = memory.operations.get((*log, counter + 1))
    is_other = (before is not None and before.hash != operation.previous) or (
        after is not None and after.previous != operation.hash
    )
    return Place.FORK if is_other else Place.NEXT


def change(
    memory: Memory, said: Said, own: str, *, new_epoch: str, server: str, logs: dict[str, int]
) -> AnyHeard | None:
    """Do what the exchange machine says to the store; only a re-issue is heard back.

    ``server`` and ``logs`` are what the unit said last: its name, and its logs under this name.
    """
    match said:
        case NoteHeld(epoch=epoch, counter=counter):
            memory.change_epoch(epoch, held=min(counter, memory.epochs[epoch].counter))
        case Recover(epoch=epoch):
            if memory.epoch == epoch:
                memory.begin_epoch(new_epoch)
            memory.cursors, memory.is_recovering = {}, True
        case ReadOwn():
            memory.cursors, memory.is_recovering = {}, True
        case Reissue(epoch=epoch, first=first):
            _write_branch_again(memory, own, epoch, first, new_epoch)
            return Reissued(epoch=memory.epoch)
        case BeginOffer():
            memory.server, memory.cursors, memory.is_offering = server, {}, True
            memory.has_known_put_back = True
            for epoch in memory.epochs:
                memory.change_epoch(epoch, held=0)
        case EndOffer():
            memory.is_offering = False
        case EndRecovery():
            memory.is_recovering, memory.own_logs_read = False, logs
    return None


def _write_branch_again(memory: Memory, own: str, epoch: str, first: int, new_epoch: str) -> None:
    if memory.epoch == epoch:
        memory.begin_epoch(new_epoch)
    branch = memory.of_log(own, epoch, first)
    tip = memory.tip(memory.epoch)
    again = reissue_branch(branch, epoch=tip.epoch, counter=tip.counter, previous=tip.hash)
    for one, other in zip(branch, again, strict=True):
        memory.forked[one.reference] = (one.envelope_text, one.body_text or "")
        place = one.device, one.epoch, one.counter
        del memory.operations[place]
        memory.insert(other, memory.taken_ms.pop(place))
        memory.change_epoch(other.epoch, counter=other.counter, hash=other.hash)
    before = memory.operations.get((own, epoch, first - 1))
    memory.change_epoch(
        epoch,
        counter=first - 1,
        hash=before.hash if before else "",
        held=first - 1,
        is_forked=True,
    )
    memory.cursors, memory.is_recovering = {}, True


# --- old cases -----------------------------------------------------------------------------------


def case_of(operation: Operation) -> str:
    """Return the case that an operation is about, "" for none or a dropped body."""
    if operation.record.startswith("case/"):
        return operation.record
    return str(read_body(operation.body_text).set.get("case", "")) if operation.body_text else ""


def _want_dropped(memory: Memory, operation: Operation) -> None:
    """Note that something came for a dropped case: it is asked for before it is shown (SN6)."""
    for name, dropped in memory.dropped.items():
        if operation.record in dropped.records or case_of(operation) == name:
            records = dropped.records | {operation.record}
            memory.dropped[name] = Dropped(records, is_wanted=True)
            return


def drop_old_cases(
    memory: Memory, own: str, policies: Policies, clocks: tuple[int, int], looked: set[str]
) -> list[str]:
    """Drop every case that may go (SN5) and return them."""
    for epoch, counter in [*memory.held_since]:
        if counter > memory.epochs[epoch].held:
            del memory.held_since[epoch, counter]
    for epoch, at in memory.epochs.items():
        if at.held > 0 and not at.is_forked:
            memory.held_since.setdefault((epoch, at.held), max(clocks))
    gone = []
    for case in sorted({one.record for one in memory.operations.values()}):
        if not case.startswith("case/") or case in memory.dropped or case in looked:
            continue
        records = {one.record for one in memory.operations.values() if case_of(one) == case}
        if _may_go(memory, own, policies, case, records, min(clocks) - KEEP_MS):
            for place, one in memory.operations.items():
                if one.record in records:
                    memory.operations[place] = msgspec.structs.replace(one, body_text=None)
            memory.dropped[case] = Dropped(frozenset(records))
            gone.append(case)
    return gone


def _may_go(
    memory: Memory, own: str, policies: Policies, case: str, records: set[str], until_ms: int
) -> bool:
    states = {
        record: merge_record(
            record, memory.of_record(record), policies.get(record.split("/", maxsplit=1)[0], {})
        )
        for record in records
    }
    if shown_value(states[case].fields.get("stage")) != "closed":
        return False
    if any(state.conflicts for state in states.values()):
        return False
    kept_from = {
        epoch: max(
            (
                counter
                for (name, counter), seen_ms in memory.held_since.items()
                if name == epoch and seen_ms <= until_ms and not memory.epochs[epoch].is_forked
            ),
            default=0,
        )
        for epoch in memory.epochs
    }
    return all(
        memory.taken_ms[place] <= until_ms
        and one.body_text is not None
        and (place[0] != own or place[2] < kept_from.get(place[1], 0))
        for place, one in memory.operations.items()
        if one.record in records
    )


def records_in_part(memory: Memory, case: str) -> list[str]:
    """Return the records of a dropped case whose bodies are not all here."""
    records = memory.dropped[case].records
    lacking = {one.record for one in memory.operations.values() if one.body_text is None}
    return sorted(records & lacking)


def show_whole_cases(memory: Memory) -> None:
    """Show every dropped case of which all bodies are here again (SN6)."""
    for case in [*memory.dropped]:
        if not records_in_part(memory, case):
            del memory.dropped[case]


def note_last_read(
    memory: Memory, own: str, stream: str, rows: list[tuple[int, str, str | None]], after: int
) -> None:
    """Keep the last entry of others that was read of a stream (EX20)."""
    read = [read_operation(envelope, body) for _, envelope, body in rows]
    last = next((one for one in reversed(read) if one.device != own), None)
    if last is not None and after > memory.cursors.get(stream, 0):
        memory.last_read = {**memory.last_read, stream: LastRead(after, last.hash)}


def last_read_of(memory: Memory) -> dict[str, LastRead]:
    """Return what was read last of each stream, as far as its cursor still stands there."""
    return {
        stream: read
        for stream, read in memory.last_read.items()
        if read.after <= memory.cursors.get(stream, 0)
    }
