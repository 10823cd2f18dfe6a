"""Join a device: an invitation code becomes a token that only this device holds."""

import re

import msgspec

from api.storage.device_store import ROLE_STREAMS, UNIT_ROLE, TakenInvitation, digest_secret
from api.storage.p256 import UnreadableKeyError, read_base64, read_public_key, write_base64
from api.storage.unit_store import UnitStore
from api.use_cases.confirm_device import fingerprint_of
from api.use_cases.errors import JoinRefusedError
from api.use_cases.name_device import LONGEST_NAME
from api.use_cases.registry_log import registry_device
from api.use_cases.server_log import SERVER_DEVICE
from api.use_cases.server_role import HUB_DEVICE, is_hub
from api.use_cases.told_keys import note_told_key
from sync.merge import shown_value

_DEVICE = re.compile(r"^[a-z0-9-]{1,32}$")
_EPOCH = re.compile(r"[a-z0-9]{4,16}")
# What a tablet of an earlier release was named, all of them.
_UNNAMED = "tablet"
_SERVERS_OWN = "That id is a unit server's own, or the hub's. Open the link again."


class Membership(msgspec.Struct, frozen=True):
    """What a device is told once it has joined. The token is shown this one time.

    ``server_key`` is the unit server's public key in base64, by which the device knows what the
    unit has signed (SG10). A device that waits may do nothing before a person has compared its
    fingerprint, the six digits of its key (RQ7). ``name`` is the one that the unit knows it by.
    """

    device: str
    token: str
    role: str
    unit_name: str
    streams: tuple[str, ...]
    server_key: str
    is_waiting: bool = False
    fingerprint: str = ""
    name: str = ""


class EnrolledKey(msgspec.Struct, frozen=True):
    """The public key a device brings, in base64, and the epoch from which it signs with it."""

    public_key: str
    from_epoch: str


def join_device(
    store: UnitStore,
    *,
    code: str,
    device: str,
    name: str,
    held_token: str | None,
    new_token: str,
    now_ms: int,
    key: EnrolledKey | None = None,
    for_recovery: bool = False,
) -> Membership:
    """Use an invitation up and return the membership.

    Parameters
    ----------
    device : str
        Id the device chose for itself; it stays for the life of its log.
    name : str
        The one it gives itself. It counts for a unit at its hub; a tablet or desk has the name
        of the invitation, or keeps the one that it had.
    held_token : str or None
        Token of an earlier joining, from a device that joins again.
    key : EnrolledKey or None
        What the device signs with from now on; None from an app that signs nothing.
    for_recovery : bool
        It joins anew to have its data key back. Then it waits whatever its key, since whoever
        holds the tablet has that key too.

    Raises
    ------
    JoinRefusedError
        The code is unknown, used or over; the id or name does not fit; another device has the
        id; or the key does not fit. The invitation stays usable.

    Notes
    -----
    Rules SG4, SG5, RQ7, SE4, RG22.
    """
    refuse_malformed(device, key)
    if not 1 <= len(name.strip()) <= LONGEST_NAME:
        raise JoinRefusedError(f"Give the device a name of 1 to {LONGEST_NAME} characters.")
    with store.transaction():
        invitation = store.devices.take_invitation(code.strip().upper(), now_ms=now_ms)
        if invitation is None:
            raise JoinRefusedError(
                "This code is not known, was used, or is over. Ask for a new one."
            )
        was_revoked = _refuse_revoked(store, device, invitation.role)
        _refuse_taken_id(store, device, held_token, key)
        is_known = not for_recovery and _is_key_confirmed(store, device, key)
        _enrol_key(store, device, key)
        is_waiting = was_revoked or not (invitation.is_trusted or is_known)
        known_as = _known_as(store, device, invitation, name.strip())
        store.devices.keep(
            device,
            known_as,
            invitation.role,
            new_token,
            joined_ms=now_ms,
            is_waiting=is_waiting,
            may_recover=for_recovery,
        )
        if was_revoked:
            store.devices.readmit(device)
        note_told_key(store, device)
        return Membership(
            device,
            new_token,
            invitation.role,
            unit_name(store),
            ROLE_STREAMS[invitation.role],
            write_base64(store.server_key.public_key),
            is_waiting,
            fingerprint_of(store, device),
            known_as,
        )


def _known_as(store: UnitStore, device: str, invitation: TakenInvitation, sent: str) -> str:
    """Return the name of a device that joins: one that joins again is not renamed by that."""
    if invitation.role == UNIT_ROLE:
        return sent
    before = store.devices.find(device)
    if before is not None and before.name not in (_UNNAMED, device):
        return before.name
    return invitation.name or sent


def refuse_malformed(device: str, key: EnrolledKey | None) -> None:
    """Refuse what can be no joining, whoever asks: before a signature is looked at.

    Raises
    ------
    JoinRefusedError
        The id does not fit or is the unit server's own, or the key cannot be read.
    """
    if not _DEVICE.match(device):
        raise JoinRefusedError(
            "A device id is 1 to 32 small letters, digits and dashes. Open the link again."
        )
    if device in (SERVER_DEVICE, HUB_DEVICE):
        raise JoinRefusedError(_SERVERS_OWN)
    if key is None:
        return
    try:
        read_public_key(read_base64(key.public_key) or b"")
    except UnreadableKeyError as error:
        raise JoinRefusedError(
            "The key of this device cannot be read. Update the app on it, then open the link again."
        ) from error
    if not _EPOCH.fullmatch(key.from_epoch):
        raise JoinRefusedError(
            "The device does not say from where it signs. Update the app on it, then open the "
            "link again."
        )


def _is_key_confirmed(store: UnitStore, device: str, key: EnrolledKey | None) -> bool:
    """Say whether a device joins again with the key that a person has compared before."""
    before = store.devices.find(device)
    return before is not None and not before.is_waiting and _is_newest_key(store, device, key)


def _is_newest_key(store: UnitStore, device: str, key: EnrolledKey | None) -> bool:
    newest = store.signatures.newest_key_of(device)
    return (
        newest is not None and key is not None and read_base64(key.public_key) == newest.public_key
    )


def _refuse_revoked(store: UnitStore, device: str, role: str) -> bool:
    """Refuse a device that was revoked, and say whether a unit was: that one may come back (RG22).

    What a unit told is named by its own key of names: under another id nobody would take it.
    """
    before = store.devices.find(device)
    if before is None or before.revoked_ms is None:
        return False
    if before.role == UNIT_ROLE == role:
        return True
    raise JoinRefusedError(
        "This device was revoked and stays so. Clear this app's storage to join as a new "
        "one; entries not yet sent would be lost, so ask the data manager first."
    )


def _refuse_taken_id(
    store: UnitStore, device: str, held_token: str | None, key: EnrolledKey | None
) -> None:
    if device == registry_device(store):
        raise JoinRefusedError(_SERVERS_OWN)
    before = store.devices.find(device)
    if before is not None and before.role == UNIT_ROLE and _is_newest_key(store, device, key):
        # A unit that lost its token with its store has proved itself by the key of its folder.
        return
    known = store.devices.token_digest_of(device)
    if known is None and not store.operations.has_log_of(device):
        return
    if known is None or held_token is None or digest_secret(held_token) != known:
        raise JoinRefusedError(
            "Another device has joined under this id. Clear this app's storage and open the link "
            "again; entries not yet sent would be lost, so ask the data manager first."
        )


def _enrol_key(store: UnitStore, device: str, key: EnrolledKey | None) -> None:
    if key is None:
        if store.signatures.newest_key_of(device) is not None:
            raise JoinRefusedError(
                "This device has signed its entries so far and sent no key now. Update the app "
                "on it, then open the link again."
            )
        return
    content = read_base64(key.public_key)
    newest = store.signatures.newest_key_of(device)
    is_new = newest is not None and newest.public_key != content
    if is_new and store.signatures.heads_of_log(device, key.from_epoch):
        raise JoinRefusedError(
            "This device brings a new key for entries that it signed with another. Close the app "
            "on it, open it again, then open the link again."
        )
    if not store.signatures.enrol(device, content or b"", key.from_epoch):
        raise JoinRefusedError(
            "The key of this device belongs to another one or was replaced. Clear this app's "
            "storage and open the link again; ask the data manager about entries not yet sent."
        )


def unit_name(store: UnitStore) -> str:
    """Return the name the unit gave itself, or words that stand for it."""
    for site in store.views.of_kind("site"):
        name = shown_value(site.fields.get("name"))
        if isinstance(name, str) and name:
            return name
    return "the hub" if is_hub(store) else "this unit"
