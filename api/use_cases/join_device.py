"""Join a device: an invitation code becomes a token that only this device holds."""

import re

import msgspec

from api.storage.device_store import ROLE_STREAMS, digest_secret
from api.storage.unit_store import UnitStore
from api.use_cases.errors import JoinRefusedError
from sync.merge import shown_value

_DEVICE = re.compile(r"^[a-z0-9-]{1,32}$")
_LONGEST_NAME = 60


class Membership(msgspec.Struct, frozen=True):
    """What a device is told once it has joined. The token is shown this one time."""

    device: str
    token: str
    role: str
    unit_name: str
    streams: tuple[str, ...]


def join_device(
    store: UnitStore,
    *,
    code: str,
    device: str,
    name: str,
    held_token: str | None,
    new_token: str,
    now_ms: int,
) -> Membership:
    """Use an invitation up and return the membership.

    Parameters
    ----------
    device : str
        Id the device chose for itself; it stays for the life of its log.
    held_token : str or None
        Token of an earlier joining, from a device that joins again.

    Raises
    ------
    JoinRefusedError
        The code is unknown, used or over; the id or name does not fit; or another device has
        the id. The invitation stays usable.
    """
    if not _DEVICE.match(device):
        raise JoinRefusedError(
            "A device id is 1 to 32 small letters, digits and dashes. Open the link again."
        )
    if not 1 <= len(name.strip()) <= _LONGEST_NAME:
        raise JoinRefusedError(f"Give the device a name of 1 to {_LONGEST_NAME} characters.")
    with store.transaction():
        role = store.devices.take_invitation(code.strip().upper(), now_ms=now_ms)
        if role is None:
            raise JoinRefusedError(
                "This code is not known, was used, or is over. Ask for a new one."
            )
        _refuse_taken_id(store, device, held_token)
        store.devices.keep(device, name.strip(), role, new_token, joined_ms=now_ms)
        return Membership(device, new_token, role, unit_name(store), ROLE_STREAMS[role])


def _refuse_taken_id(store: UnitStore, device: str, held_token: str | None) -> None:
    known = store.devices.token_digest_of(device)
    if known is None and not store.operations.has_log_of(device):
        return
    if known is None or held_token is None or digest_secret(held_token) != known:
        raise JoinRefusedError(
            "Another device has joined under this id. Clear this app's storage and open the link "
            "again; entries not yet sent would be lost, so ask the data manager first."
        )


def unit_name(store: UnitStore) -> str:
    """Return the name the unit gave itself, or words that stand for it."""
    for site in store.views.of_kind("site"):
        name = shown_value(site.fields.get("name"))
        if isinstance(name, str) and name:
            return name
    return "this unit"
