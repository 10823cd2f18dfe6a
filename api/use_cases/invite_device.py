"""Invite a device: a code that lets one device join in one role, for a while."""

from api.storage.device_store import ROLE_STREAMS, UNIT_ROLE
from api.storage.unit_store import UnitStore
from api.use_cases.errors import NotAllowedError
from api.use_cases.name_device import name_for_invitation
from api.use_cases.server_role import is_hub

TEN_MINUTES_MS = 600_000


def invite_device(
    store: UnitStore,
    role: str,
    *,
    code: str,
    now_ms: int,
    lasts_ms: int = TEN_MINUTES_MS,
    is_trusted: bool = False,
    name: str = "",
) -> str:
    """Keep an invitation and return the name that it gives; only a digest of the code is stored.

    Parameters
    ----------
    code : str
        Fresh and random, from the environment.
    is_trusted : bool
        Who joins by it waits for nobody: for commands that invite a browser of this machine.
    name : str
        By which people will know the device; "" for the next number, such as "Tablet 3".

    Raises
    ------
    NotAllowedError
        No such role, or none that joins this server: units join a hub, tablets and desks a unit.
        Or a name that does not fit or is taken.
    """
    if role not in ROLE_STREAMS:
        message = f"There is no role {role[:24]!r}. Choose one of {', '.join(ROLE_STREAMS)}."
        raise NotAllowedError(message)
    if is_hub(store) != (role == UNIT_ROLE):
        raise NotAllowedError(
            "A hub has units alone for devices. Invite tablets and desks at their unit."
            if is_hub(store)
            else "A unit joins the hub of its network. Invite it there."
        )
    with store.transaction():
        given = name_for_invitation(store, role, name, now_ms=now_ms)
        expires_ms = now_ms + lasts_ms
        store.devices.invite(code, role, expires_ms=expires_ms, is_trusted=is_trusted, name=given)
    return given
