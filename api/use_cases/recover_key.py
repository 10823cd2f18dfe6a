"""Give a tablet back the data key that it once sealed for this unit (SE4)."""

from api.access.access_table import Asker
from api.storage.device_store import Device
from api.storage.p256 import UnreadableKeyError, read_base64, write_base64
from api.storage.sealing import about_return, about_share, open_sealed, seal
from api.storage.unit_store import UnitStore
from api.use_cases.errors import NotAllowedError
from api.use_cases.invite_device import TEN_MINUTES_MS
from api.use_cases.note_access import Outcome, event_of, note_access

_KEY_BYTES = 32


def recover_key(store: UnitStore, device: Device, *, share: str, to: str, now_ms: int) -> str:
    """Return the data key of a device, sealed for a key that its tablet has just made, in base64.

    Parameters
    ----------
    share : str
        The data key as the tablet sealed it for this unit, in base64. The unit keeps no copy.
    to : str
        Public key of the tablet for the way back, in base64 (SG2).

    Raises
    ------
    NotAllowedError
        The share was not sealed by this device for this unit, or ``to`` is no key, or the device
        did not join anew for this within the last ten minutes. The attempt is noted and nothing
        is handed out.

    Notes
    -----
    Rules SE4, AU5. Being joined is not enough: a thief who has used up every PIN holds a tablet
    that is joined. The ten minutes begin when the device was let in, since comparing its digits
    takes a person.
    """
    opened = open_sealed(store.server_key, about_share(device.id), read_base64(share) or b"")
    if opened is None or len(opened) != _KEY_BYTES:
        _note(store, device, now_ms, "refused")
        message = (
            "The key that this tablet kept was not sealed by it for this unit, so that its records "
            "cannot be opened again. Ask the data manager before anything is removed from it."
        )
        raise NotAllowedError(message)
    try:
        sealed = seal(read_base64(to) or b"", about_return(device.id), opened)
    except UnreadableKeyError as error:
        _note(store, device, now_ms, "refused")
        message = "The tablet sent no key to answer to. Update the app on it, then try again."
        raise NotAllowedError(message) from error
    with store.transaction():
        is_let = store.devices.take_recovery(device.id, after_ms=now_ms - TEN_MINUTES_MS)
        if is_let:
            _note(store, device, now_ms, "done")
    if not is_let:
        _note(store, device, now_ms, "refused")
        message = (
            "The unit gives a key back once for each invitation, within ten minutes. Ask the "
            "unit admin for a fresh invitation and enter its code here."
        )
        raise NotAllowedError(message)
    return write_base64(sealed)


def refuse_recovery(store: UnitStore, device: str, *, now_ms: int) -> None:
    """Refuse a device that waits for its data key; it may ask again by a fresh invitation.

    Nothing is revoked: what it holds stays closed, and can be opened once somebody knows who asks.

    Raises
    ------
    NotAllowedError
        No device of this id waits for its key. Nothing is written.
    """
    with store.transaction():
        if not store.devices.refuse_recovery(device, refused_ms=now_ms):
            message = (
                f"No device with the id {device[:40]!r} waits for its key. "
                "`crura device list` has them."
            )
            raise NotAllowedError(message)


def _note(store: UnitStore, device: Device, now_ms: int, outcome: Outcome) -> None:
    note_access(
        store,
        event_of(
            Asker("device", device.role, device.id),
            "open",
            "recovery",
            at_ms=now_ms,
            outcome=outcome,
            device=device.id,
        ),
    )
