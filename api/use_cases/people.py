"""People of the unit: who is added, given a role, has left or is back, each with the account."""

from typing import Any

import msgspec

from api.storage.unit_store import UnitStore
from api.use_cases.add_staff import add_staff
from api.use_cases.errors import NotAllowedError
from api.use_cases.people_accounts import (
    find_staff_record,
    list_roles,
    make_login_name,
    note_account_act,
    read_role,
    refuse_login_name,
    role_that_counts,
)
from api.use_cases.server_log import Chance, write_as_server
from sync.merge import RecordState, shown_value


class PersonRow(msgspec.Struct, frozen=True, kw_only=True):
    """One person as the unit desk lists people.

    Parameters
    ----------
    role : str
        What the record says, "" while two answers stand.
    given_role : str
        What the account was given, "" without one.
    """

    staff: str
    name: str
    role: str
    is_active: bool
    login: str
    given_role: str
    has_password: bool
    has_second_factor: bool
    sessions: int


def list_people(store: UnitStore) -> list[PersonRow]:
    """Return everybody who works here or did, by name."""
    with store.transaction():
        states = [one for one in store.views.of_kind("staff") if not one.is_entered_in_error]
        rows = [_row(store, state) for state in states]
    return sorted(rows, key=lambda row: (not row.is_active, row.name.casefold(), row.staff))


def add_person(
    store: UnitStore, name: str, role: str, *, by: str, login: str = "", chance: Chance
) -> str:
    """Add a member of staff with an account that has no password yet; return ``staff/<id>``.

    Parameters
    ----------
    by : str
        Who adds, ``staff/<id>``; "" is a command at the server, which the new record itself bears.
    login : str
        Log-in name; "" takes one made from the name.

    Raises
    ------
    NotAllowedError
        The role, the name or the log-in name cannot be used. Nothing is written.
    """
    with store.transaction():
        record = add_staff(store, name, role, by=by, chance=chance)
        login = login or make_login_name(store, name, record)
        refuse_login_name(store, login, record)
        store.people.keep_account(record, login, role, made_ms=chance.now_ms)
        note_account_act(store, "add", by, record, chance.now_ms)
    return record


def change_role(store: UnitStore, staff: str, role: str, *, by: str, chance: Chance) -> None:
    """Give a person another role, or the one that the record says anew; ends the log-ins.

    Raises
    ------
    NotAllowedError
        No such person or role, or the last unit admin. Nothing is written.
    """
    with store.transaction():
        state = find_staff_record(store, staff)
        roles = list_roles(store)
        if role not in roles:
            message = f"There is no role {role[:24]!r}. Choose one of {', '.join(roles)}."
            raise NotAllowedError(message)
        if role != "unit-admin":
            _refuse_last_admin(store, staff)
        _write(store, state, {"role": role}, by=by or staff, because="role given", chance=chance)
        account = store.people.find_account(staff)
        name = str(shown_value(state.fields.get("name")) or "")
        login = account.login if account else make_login_name(store, name, staff)
        store.people.keep_account(staff, login, role, made_ms=chance.now_ms)
        store.people.end_all(staff)
        note_account_act(store, "give-role", by, staff, chance.now_ms)


def let_go(store: UnitStore, staff: str, *, by: str, chance: Chance) -> None:
    """Record that a person has left: the account with its secrets goes, log-ins end.

    Raises
    ------
    NotAllowedError
        No such person, or the last unit admin. Nothing is written.
    """
    with store.transaction():
        state = find_staff_record(store, staff)
        _refuse_last_admin(store, staff)
        _write(store, state, {"active": False}, by=by or staff, because="has left", chance=chance)
        store.people.close_account(staff)
        note_account_act(store, "close", by, staff, chance.now_ms)


def take_back(store: UnitStore, staff: str, *, by: str, chance: Chance) -> None:
    """Record that a person works here again; an account is given anew with a role.

    Raises
    ------
    NotAllowedError
        No such person. Nothing is written.
    """
    with store.transaction():
        state = find_staff_record(store, staff)
        _write(store, state, {"active": True}, by=by or staff, because="is back", chance=chance)
        note_account_act(store, "take-back", by, staff, chance.now_ms)


def _row(store: UnitStore, state: RecordState) -> PersonRow:
    account = store.people.find_account(state.record)
    return PersonRow(
        staff=state.record,
        name=str(shown_value(state.fields.get("name")) or ""),
        role=read_role(state),
        is_active=shown_value(state.fields.get("active")) is True,
        login=account.login if account else "",
        given_role=account.role if account else "",
        has_password=bool(account and account.password),
        has_second_factor=bool(account and account.totp_sealed),
        sessions=len(store.people.sessions_of(state.record)),
    )


def _write(
    store: UnitStore,
    state: RecordState,
    fields: dict[str, Any],
    *,
    by: str,
    because: str,
    chance: Chance,
) -> None:
    over = {name: state.fields[name].references for name in fields if name in state.fields}
    write_as_server(store, state.record, fields, by=by, because=because, chance=chance, over=over)


def _refuse_last_admin(store: UnitStore, staff: str) -> None:
    """Refuse to leave the unit without anybody who may let others in."""
    admins = [
        one.staff
        for one in store.people.accounts()
        if one.role == "unit-admin" and one.password and role_that_counts(store, one)
    ]
    if admins == [staff]:
        message = "This is the last unit admin. Give somebody else that role first."
        raise NotAllowedError(message)
