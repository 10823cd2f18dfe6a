"""Revoke a device: what it wrote so far counts, what comes later is kept aside."""

import msgspec

from api.storage.device_store import Device
from api.storage.p256 import write_base64
from api.storage.unit_store import UnitStore
from api.use_cases.errors import NotAllowedError
from api.use_cases.told_keys import key_told_to
from sync.operation_log import Tip
from sync.request_signing import write_revocation_text


class ToldRevocation(msgspec.Struct, frozen=True):
    """What a revoked device is told, signed by the unit: nobody else can make it clear itself.

    ``wipe`` asks it to hand over what it holds and then to clear itself.
    """

    device: str
    revoked_ms: int
    wipe: bool
    signature: str


def revoke_device(
    store: UnitStore, device: str, *, now_ms: int, is_lost: bool = False
) -> tuple[Tip, ...]:
    """Record where each log of a device ends and refuse it from now on; return those ends.

    Parameters
    ----------
    is_lost : bool
        It is out of our hands and is to clear itself; one that was revoked before may be lost too.

    Raises
    ------
    NotAllowedError
        No device has this id, or it was revoked (lost) before. Nothing is written.

    Notes
    -----
    Rules EX12, RQ8. What counts is what had been received here; a time that an entry bears says
    nothing about when it was written.
    """
    with store.transaction():
        known = store.devices.find(device)
        if known is None:
            message = f"No device has the id {device[:40]!r}. Look up its id, then try again."
            raise NotAllowedError(message)
        if known.revoked_ms is not None and not (is_lost and known.lost_ms is None):
            message = f"{device} was revoked before. Its later entries are kept aside already."
            raise NotAllowedError(message)
        ends = tuple(
            store.operations.tip_of(origin, epoch)
            for origin, epoch in store.operations.logs()
            if origin == device
        )
        if known.revoked_ms is None:
            for tip in ends:
                store.marks.end_log(device, tip)
            store.devices.revoke(device, revoked_ms=now_ms)
        if is_lost:
            store.devices.note_lost(device, lost_ms=now_ms)
        return ends


def tell_revocation(store: UnitStore, device: Device) -> ToldRevocation:
    """Return what a revoked device is told, signed by the key that it was told at joining (RQ8).

    Raises
    ------
    NotAllowedError
        It was not revoked.
    """
    if device.revoked_ms is None:
        message = f"{device.id} was not revoked. There is nothing to tell it."
        raise NotAllowedError(message)
    is_lost = device.lost_ms is not None
    text = write_revocation_text(device.id, device.revoked_ms, is_lost=is_lost)
    key = key_told_to(store, device.id)
    signature = write_base64(key.sign(text.encode()))
    return ToldRevocation(device.id, device.revoked_ms, is_lost, signature)
