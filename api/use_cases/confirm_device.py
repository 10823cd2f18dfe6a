"""Confirm a device: a person has compared the six digits on it with those the unit shows."""

import re

from api.storage.unit_store import UnitStore
from api.use_cases.errors import NotAllowedError
from sync.request_signing import write_fingerprint


def confirm_device(
    store: UnitStore, device: str, fingerprint: str, *, by: str, now_ms: int
) -> None:
    """Let a device in that joined and waits.

    Parameters
    ----------
    fingerprint : str
        The six digits as the device itself shows them; blanks between them do not count.
    by : str
        Record of the person who compared them, "" at the server itself.

    Raises
    ------
    NotAllowedError
        No device of this id waits, it was refused its key, or its digits are others. Nothing is
        written.

    Notes
    -----
    Rules RQ6, RQ7. Six digits tell two people apart who speak of two tablets, and a stranger who
    used the invitation first; against somebody who can read the line there is HTTPS.
    """
    with store.transaction():
        known = store.devices.find(device)
        if known is None or known.revoked_ms is not None or not known.is_waiting:
            message = f"No device with the id {device[:40]!r} waits. `crura device list` has them."
            raise NotAllowedError(message)
        if store.devices.recovery_of(device).refused_ms is not None:
            message = (
                f"{device} was refused its key and waits for nothing. Make it a fresh invitation, "
                "enter that code on it, then compare its digits."
            )
            raise NotAllowedError(message)
        if re.sub(r"\s", "", fingerprint) != fingerprint_of(store, device):
            message = (
                f"{device} has other digits. Compare with its screen; if they differ there, "
                "somebody else has joined: revoke it, then invite anew."
            )
            raise NotAllowedError(message)
        store.devices.confirm(device, by=by, confirmed_ms=now_ms)


def fingerprint_of(store: UnitStore, device: str) -> str:
    """Return the six digits of a device's newest key, "" without one; inside a transaction."""
    key = store.signatures.newest_key_of(device)
    return "" if key is None else write_fingerprint(key.key_id)
