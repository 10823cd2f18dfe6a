"""Names by which people know devices: given by whoever invites, never the same twice in a unit."""

import re
import unicodedata

from api.storage.device_store import UNIT_ROLE
from api.storage.unit_store import UnitStore
from api.use_cases.errors import NotAllowedError

LONGEST_NAME = 60
# The default of each role, before its number (project default).
_NUMBERED = {"bedside": "Tablet", "booking": "Desk"}


def name_for_invitation(store: UnitStore, role: str, wanted: str, *, now_ms: int) -> str:
    """Return the name that who joins by an invitation will bear; inside a transaction.

    Parameters
    ----------
    wanted : str
        The name as the inviter typed it; "" for the next number. A unit names itself.

    Raises
    ------
    NotAllowedError
        It is too long, holds what cannot be printed, or a device of this unit has it.

    Notes
    -----
    The number of a device that was revoked is not given again, so that nobody takes the tablet in
    a drawer for the one in use.
    """
    if role == UNIT_ROLE:
        if wanted.strip():
            raise NotAllowedError("A unit is named by itself when it joins. Leave the name out.")
        return ""
    if wanted.strip():
        return _own_name(wanted, store.devices.names(now_ms=now_ms))
    word = _NUMBERED[role]
    pattern = re.compile(rf"{word} ([0-9]{{1,6}})", re.IGNORECASE)
    taken = store.devices.names(now_ms=now_ms, with_revoked=True)
    numbers = (pattern.fullmatch(name.strip()) for name in taken)
    return f"{word} {1 + max((int(found[1]) for found in numbers if found), default=0)}"


def rename_device(store: UnitStore, device: str, wanted: str, *, now_ms: int) -> str:
    """Give a device of the unit another name and return it; it learns so by itself.

    Raises
    ------
    NotAllowedError
        No such device, a unit (which names itself), or a name that does not fit or is taken.
    """
    with store.transaction():
        known = store.devices.find(device)
        if known is None or known.revoked_ms is not None:
            message = f"No device has the id {device[:40]!r}. `crura device list` has them."
            raise NotAllowedError(message)
        if known.role == UNIT_ROLE:
            raise NotAllowedError("A unit is named by itself when it joins. Rename it there.")
        name = _own_name(wanted, store.devices.names(now_ms=now_ms, but=device))
        store.devices.rename(device, name)
    return name


def _own_name(wanted: str, taken: list[str]) -> str:
    """Return a name as it is kept, refused where it does not fit or another device has it."""
    name = _tidied(wanted)
    if not 1 <= len(name) <= LONGEST_NAME or not name.isprintable():
        message = f"Give the device a name of 1 to {LONGEST_NAME} characters on one line."
        raise NotAllowedError(message)
    if name.casefold() in {_tidied(other).casefold() for other in taken}:
        message = f"A device of this unit is named {name!r} already. Choose another name."
        raise NotAllowedError(message)
    return name


def _tidied(name: str) -> str:
    """Return a name with single spaces, as two people write the same one."""
    return " ".join(unicodedata.normalize("NFC", name).split())
