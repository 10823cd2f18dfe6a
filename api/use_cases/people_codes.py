"""One-time codes that let a person onto a tablet, or to a first log-in at the unit server."""

import msgspec

from api.storage.device_store import Device
from api.storage.people_store import Opens
from api.storage.unit_store import UnitStore
from api.use_cases.active_staff import refuse_stranger
from api.use_cases.errors import JoinRefusedError, NotAllowedError
from api.use_cases.note_access import AccessEvent, Asker, note_access
from api.use_cases.people_accounts import (
    SecondFactor,
    note_account_act,
    set_password,
    set_second_factor,
)
from sync.merge import shown_value

DAY_MS = 24 * 60 * 60 * 1_000
# Roles that read what was found and done; twin of `people-here.ts`.
AT_THE_BEDSIDE = frozenset({"endoscopist", "assistant", "anaesthetist"})
_NOT_GOOD = "That code is not good here, was used, or is over. Ask for a new one."


class MadeCode(msgspec.Struct, frozen=True, kw_only=True):
    """A new code, told this one time, and when it is over."""

    staff: str
    code: str
    expires_ms: int


class LetOnto(msgspec.Struct, frozen=True, kw_only=True):
    """The person whom a code names, for the tablet where it was typed."""

    staff: str
    name: str
    role: str


def make_code(
    store: UnitStore, staff: str, opens: Opens, *, code: str, by: str, now_ms: int
) -> MadeCode:
    """Keep a code for a day; a former one of the person for the same is good no more.

    A code for a first log-in is for who has no password yet. One made at the server takes the
    password away first: whoever keeps the machine may, no other person.

    Parameters
    ----------
    code : str
        Fresh and random, from the environment.
    by : str
        Who makes it, ``staff/<id>``; "" is a command at the server.

    Raises
    ------
    NotAllowedError
        Nobody of that id works here, or a person makes a code for a first log-in of somebody who
        has a password. Nothing is written.
    """
    expires_ms = now_ms + DAY_MS
    with store.transaction():
        refuse_stranger(store, staff)
        if opens == "log-in" and not by:
            _reset_password(store, staff, now_ms)
        elif opens == "log-in":
            _refuse_second_first(store, staff)
        store.people.keep_code(code, staff, opens, expires_ms=expires_ms)
        _note(store, "make", "person" if by else "machine", by, staff, opens, now_ms)
    return MadeCode(staff=staff, code=code, expires_ms=expires_ms)


def redeem_on_tablet(store: UnitStore, device: Device, typed: str, *, now_ms: int) -> LetOnto:
    """Use a code up on a tablet and return whom it lets on.

    Raises
    ------
    JoinRefusedError
        No code of today for tablets, used before, its person has left, or has a role that reads
        nothing of care while the tablet does (SEC-22). It is not used up.
    """
    code = _read(typed)
    with store.transaction():
        staff = store.people.find_code(code, "tablet", now_ms=now_ms)
        state = store.views.state_of(staff) if staff else None
        name, role, active = (
            shown_value(state.fields.get(field)) if state else None
            for field in ("name", "role", "active")
        )
        if staff is None or active is not True or not name or not role:
            raise JoinRefusedError(_NOT_GOOD)
        if device.role == "bedside" and role not in AT_THE_BEDSIDE:
            raise JoinRefusedError(
                "A tablet at the bedside shows what was found and done. Use this code on a booking "
                "device, or ask the unit admin for another role."
            )
        store.people.use_code(code, on=device.id, now_ms=now_ms)
        _note(store, "redeem", "device", device.id, staff, "tablet", now_ms)
    return LetOnto(staff=staff, name=str(name), role=str(role))


def set_up_log_in(
    store: UnitStore, typed: str, password: str, *, token: str, salts: tuple[str, str], now_ms: int
) -> tuple[str, SecondFactor]:
    """Use a code up: its person chooses a password and gets a second factor; both in one.

    Returns
    -------
    tuple
        The log-in name, and the second factor, told this one time.

    Raises
    ------
    JoinRefusedError
        No code of today for log-ins, or used before.
    NotAllowedError
        The password cannot be used, or the person has left or has a password. The code stays good.
    """
    code = _read(typed)
    with store.transaction():
        staff = store.people.find_code(code, "log-in", now_ms=now_ms)
        if staff is None:
            raise JoinRefusedError(_NOT_GOOD)
        _refuse_second_first(store, staff)
        login = set_password(store, staff, password, salt=salts[0], now_ms=now_ms, by=staff)
        factor = set_second_factor(
            store, staff, token=token, salt=salts[1], now_ms=now_ms, by=staff
        )
        store.people.use_code(code, on="", now_ms=now_ms)
        _note(store, "set-up", "person", staff, staff, "log-in", now_ms)
    return login, factor


def _refuse_second_first(store: UnitStore, staff: str) -> None:
    account = store.people.find_account(staff)
    if account is not None and account.password is not None:
        raise NotAllowedError(
            f"{staff} has a password already. Whoever keeps the server can start anew: "
            "crura staff code --log-in."
        )


def _reset_password(store: UnitStore, staff: str, now_ms: int) -> None:
    account = store.people.find_account(staff)
    if account is not None and account.password is not None:
        store.people.forget_password(staff)
        store.people.end_all(staff)
        note_account_act(store, "reset-password", "", staff, now_ms)


def _read(typed: str) -> str:
    return typed.strip().upper()


def _note(
    store: UnitStore, verb: str, asker: Asker, who: str, staff: str, opens: Opens, at_ms: int
) -> None:
    note_access(
        store,
        AccessEvent(
            at_ms=at_ms,
            asker=asker,
            who=who,
            verb=verb,
            object="staff-codes",
            records=(staff,),
            why=opens,
        ),
    )
