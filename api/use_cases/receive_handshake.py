"""Receive a handshake: say where the device's log ends here and how far each stream goes."""

from api.storage.device_store import Device
from api.storage.unit_store import UnitStore
from api.use_cases.errors import NotAllowedError
from sync.exchange import Handshake, HandshakeAnswer


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
    Rules EX1-EX4. The clock offset is kept for the data manager and refuses nothing (HC4).
    """
    refuse_other_device(device, handshake.device)
    with store.transaction():
        store.devices.note_seen(
            device.id, seen_ms=now_ms, clock_offset_ms=handshake.wall_ms - now_ms
        )
        return HandshakeAnswer(
            server=store.fact("generation") or "",
            tip=store.operations.tip_of(device.id, handshake.tip.epoch),
            hash_at_device_tip=store.operations.hash_at(
                device.id, handshake.tip.epoch, handshake.tip.counter
            ),
            heads=store.operations.heads(device.streams),
            wall_ms=now_ms,
        )


def refuse_other_device(device: Device, named: str) -> None:
    """Raise NotAllowedError when a device speaks for another."""
    if named != device.id:
        message = f"This device is {device.id} and cannot speak for {named[:40]!r}. Join it again."
        raise NotAllowedError(message)
