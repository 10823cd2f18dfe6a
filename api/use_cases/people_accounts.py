"""Accounts of people at the server: password, second factor, log-in name, the role that counts.

The record ``staff/<id>`` says who works here, also on tablets. The account says who may log in at
the server and as what: its role is given here alone, so that nothing that a tablet writes into the
record gives anybody a right. Where the two differ, nobody gets in until it is given anew.
"""

import re
import unicodedata

import msgspec

from api.storage.access_log import Outcome
from api.storage.people_store import Account
from api.storage.unit_store import UnitStore
from api.use_cases.errors import NotAllowedError
from api.use_cases.note_access import AccessEvent, note_access
from api.use_cases.people_passwords import hash_password, refuse_weak_password
from api.use_cases.people_second_factor import SECRET_BYTES, seal_secret, write_address
from sync.merge import RecordState, shown_value

# They see more than one tablet shows: a password alone does not even set a second factor up.
FACTOR_BY_OTHERS = frozenset({"unit-admin", "data-manager", "auditor"})
_LOGIN = re.compile(r"[a-z0-9][a-z0-9.-]{1,38}[a-z0-9]")


class SecondFactor(msgspec.Struct, frozen=True):
    """A new second factor, told this one time."""

    secret: bytes
    address: str


def set_password(
    store: UnitStore,
    staff: str,
    password: str,
    *,
    salt: str,
    now_ms: int,
    login: str = "",
    by: str = "",
) -> str:
    """Give a person a password and end the log-ins; return the log-in name.

    Parameters
    ----------
    salt : str
        Fresh, 32 hexadecimal digits.
    login : str
        Another log-in name; "" keeps the one there is.
    by : str
        Who sets it, ``staff/<id>``; "" is a command at the server.

    Raises
    ------
    NotAllowedError
        No such active person, none who was given a role here, or the password or log-in name
        cannot be used. Nothing is written.
    """
    with store.transaction():
        state = find_staff_record(store, staff)
        if shown_value(state.fields.get("active")) is not True:
            raise NotAllowedError(f"{staff} does not work here now. Take the person back first.")
        account = find_account(store, staff)
        login = login or account.login
        refuse_login_name(store, login, staff)
        name = str(shown_value(state.fields.get("name")) or "")
        why = refuse_weak_password(password, (login, name))
        if why is not None:
            raise NotAllowedError(why)
        kept = hash_password(password, salt)
        store.people.keep_account(staff, login, account.role, made_ms=now_ms)
        store.people.set_password(staff, kept)
        store.people.end_all(staff)
        note_account_act(store, "set-password", by, staff, now_ms)
    return login


def set_second_factor(
    store: UnitStore, staff: str, *, token: str, salt: str, now_ms: int, by: str = ""
) -> SecondFactor:
    """Give a person a new second factor and end the log-ins.

    Parameters
    ----------
    token : str
        Fresh, 64 hexadecimal digits: the secret is drawn from it.
    salt : str
        Fresh, 32 hexadecimal digits.
    by : str
        Who sets it, ``staff/<id>``; "" is a command at the server.

    Raises
    ------
    NotAllowedError
        The person has no account yet. Nothing is written.
    """
    secret = bytes.fromhex(token)[:SECRET_BYTES]
    with store.transaction():
        account = find_account(store, staff)
        store.people.set_totp(staff, seal_secret(store.server_key, staff, secret, salt))
        store.people.end_all(staff)
        note_account_act(store, "set-second-factor", by, staff, now_ms)
    return SecondFactor(secret, write_address(secret, account.login))


def end_log_ins(store: UnitStore, staff: str, *, by: str, now_ms: int) -> int:
    """End every session of a person and return how many there were.

    Raises
    ------
    NotAllowedError
        The person has no account. Nothing is written.
    """
    with store.transaction():
        find_account(store, staff)
        note_account_act(store, "end-log-ins", by, staff, now_ms)
        return store.people.end_all(staff)


def role_that_counts(store: UnitStore, account: Account) -> str:
    """Return the role of an account, "" where the person left or the record says another one.

    Call it inside a transaction.
    """
    state = store.views.state_of(account.staff)
    if state is None or state.is_entered_in_error:
        return ""
    is_active = shown_value(state.fields.get("active")) is True
    return account.role if is_active and read_role(state) == account.role else ""


def read_role(state: RecordState) -> str:
    """Return the role that the record of a person says, "" while two answers stand."""
    return str(shown_value(state.fields.get("role")) or "")


def list_roles(store: UnitStore) -> tuple[str, ...]:
    """Return every role that the catalogue has."""
    fields = store.catalogue.kinds["staff"].fields
    return tuple(next(field.values for field in fields if field.id == "role"))


def find_staff_record(store: UnitStore, staff: str) -> RecordState:
    """Return the record of a person; inside a transaction.

    Raises
    ------
    NotAllowedError
        There is none, or it was entered in error.
    """
    state = store.views.state_of(staff) if staff.startswith("staff/") else None
    if state is None or state.is_entered_in_error:
        message = f"There is no {staff[:48]!r} here. `crura staff list` names everybody."
        raise NotAllowedError(message)
    return state


def find_account(store: UnitStore, staff: str) -> Account:
    """Return the account of a person; inside a transaction.

    Raises
    ------
    NotAllowedError
        No role was given to the person here.
    """
    account = store.people.find_account(staff)
    if account is None:
        message = f"{staff[:48]!r} was given no role here. Give one first: crura staff role."
        raise NotAllowedError(message)
    return account


def note_account_act(store: UnitStore, verb: str, by: str, staff: str, at_ms: int) -> None:
    """Note what was done to an account; by "" it was done at the server."""
    note_access(
        store,
        AccessEvent(
            at_ms=at_ms,
            asker="person" if by else "machine",
            who=by,
            verb=verb,
            object="unit-staff",
            records=(staff,),
        ),
    )


def note_session(
    store: UnitStore, verb: str, account: Account | None, *, at_ms: int, outcome: Outcome = "done"
) -> None:
    """Note an act of a log-in on the account it is for, None where there is none."""
    note_access(
        store,
        AccessEvent(
            at_ms=at_ms,
            asker="person",
            who=account.staff if account else "",
            role=account.role if account else "",
            verb=verb,
            object="session",
            outcome=outcome,
        ),
    )


def refuse_login_name(store: UnitStore, login: str, staff: str) -> None:
    """Refuse a log-in name that is none or is another person's; inside a transaction.

    Raises
    ------
    NotAllowedError
        As said.
    """
    if not _LOGIN.fullmatch(login):
        message = f"{login[:40]!r} is no log-in name. Take 3 to 40 of a-z, 0-9, dots and hyphens."
        raise NotAllowedError(message)
    other = store.people.find_by_login(login)
    if other is not None and other.staff != staff:
        raise NotAllowedError(f"The log-in name {login} is taken. Choose another one.")


def make_login_name(store: UnitStore, name: str, staff: str) -> str:
    """Return a log-in name made from a name; another one's is never taken."""
    bare = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().casefold()
    login = re.sub(r"[^a-z0-9]+", ".", bare).strip(".")[:36].strip(".")
    if not _LOGIN.fullmatch(login):
        login = re.sub(r"[^a-z0-9]+", ".", staff.partition("/")[2].casefold()).strip(".")
    ending, found = 2, login
    while (other := store.people.find_by_login(found)) is not None and other.staff != staff:
        found, ending = f"{login}.{ending}", ending + 1
    return found
