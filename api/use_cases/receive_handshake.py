"""Receive a handshake: say where the device's log ends here and how far each stream goes."""

import re
from collections.abc import Mapping

from api.storage.device_store import Device
from api.storage.unit_store import UnitStore
from api.use_cases.answer_registry import heads_for, last_of_others
from api.use_cases.errors import NotAllowedError
from api.use_cases.judge_reads import leave_out_begun_again
from api.use_cases.older_copy import weigh_reading
from sync.exchange import Handshake, HandshakeAnswer, LastRead
from sync.operation_log import Tip

_HASH = re.compile(r"[0-9a-f]{64}")


def receive_handshake(
    store: UnitStore, device: Device, handshake: Handshake, *, now_ms: int
) -> HandshakeAnswer:
    """Return the server's side of a handshake, and note when the device was here.

    Raises
    ------
    NotAllowedError
        The handshake speaks for another device.

    Notes
    -----
    Rules EX1-EX4, EX9, EX20, EX21, EX23. The clock offset is kept for the data manager and
    refuses nothing (HC4).
    """
    refuse_other_device(device, handshake.device)
    stated = handshake.tip
    with store.transaction():
        store.devices.note_seen(
            device.id, seen_ms=now_ms, clock_offset_ms=handshake.wall_ms - now_ms
        )
        held = store.operations.hash_at(device.id, stated.epoch, stated.counter)
        if held is not None and held != stated.hash and _HASH.fullmatch(stated.hash):
            there = Tip(stated.epoch, stated.counter, held)
            store.marks.note_fork(there, stated.hash, device=device.id, noted_ms=now_ms)
        heads = heads_for(store, device)
        has_other_past = _has_other_past(store, device, handshake.last_read)
        weigh_reading(
            store,
            device,
            is_other=has_other_past
            or any(cursor > heads.get(name, cursor) for name, cursor in handshake.cursors.items()),
            wall_ms=handshake.wall_ms,
            now_ms=now_ms,
        )
        return HandshakeAnswer(
            server=store.fact("generation") or "",
            tip=store.operations.tip_of(device.id, stated.epoch),
            hash_at_device_tip=held,
            heads=leave_out_begun_again(store, device, heads),
            wall_ms=now_ms,
            epochs=store.operations.counters_of(device.id),
            rows=True,
            last_read="differs" if has_other_past else "agrees",
            signed_heads=True,
        )


def _has_other_past(store: UnitStore, device: Device, stated: Mapping[str, LastRead]) -> bool:
    """Say whether a device has read something else than is held here at the same place (EX20).

    The numbers of receipts grow on after an older copy was put back, so that a cursor alone may
    look right.
    """
    for stream, read in stated.items():
        if stream not in device.streams:
            continue
        held = last_of_others(store, device, stream, up_to=read.after)
        if held is not None and held != read.hash:
            return True
    return False


def refuse_other_device(device: Device, named: str) -> None:
    """Raise NotAllowedError when a device speaks for another."""
    if named != device.id:
        message = f"This device is {device.id} and cannot speak for {named[:40]!r}. Join it again."
        raise NotAllowedError(message)
