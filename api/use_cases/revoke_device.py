"""Revoke a device: what it wrote so far counts, what comes later is kept aside."""

from api.storage.unit_store import UnitStore
from api.use_cases.errors import NotAllowedError
from sync.operation_log import Tip


def revoke_device(store: UnitStore, device: str, *, now_ms: int) -> tuple[Tip, ...]:
    """Record where each log of a device ends and refuse it from now on; return those ends.

    Raises
    ------
    NotAllowedError
        No device has this id, or it was revoked before. Nothing is written.

    Notes
    -----
    Rule EX12. What counts is what had been received here; a time that an entry bears says
    nothing about when it was written.
    """
    with store.transaction():
        known = store.devices.find(device)
        if known is None:
            message = f"No device has the id {device[:40]!r}. Look up its id, then try again."
            raise NotAllowedError(message)
        if known.revoked_ms is not None:
            message = f"{device} was revoked before. Its later entries are kept aside already."
            raise NotAllowedError(message)
        ends = tuple(
            store.operations.tip_of(origin, epoch)
            for origin, epoch in store.operations.logs()
            if origin == device
        )
        for tip in ends:
            store.marks.end_log(device, tip)
        store.devices.revoke(device, revoked_ms=now_ms)
        return ends
