"""Log-ins of people at the unit server: who gets in, for how long, and how it ends."""

from typing import Annotated

import msgspec

from api.storage.access_log import Outcome
from api.storage.people_store import Account, PersonSession
from api.storage.unit_store import UnitStore
from api.use_cases.errors import NotAllowedError, UnknownPersonError
from api.use_cases.people_accounts import FACTOR_BY_OTHERS, note_session, role_that_counts
from api.use_cases.people_own_factor import NO_FACTOR, SET_ONE_UP, take_up_offer
from api.use_cases.people_passwords import LONGEST, hash_password, is_password, refuse_weak_password
from api.use_cases.people_second_factor import find_step, open_secret
from sync.merge import shown_value

MINUTE_MS = 60_000
# Unit setting (project default): a desk that was left is closed after a tea, any desk after a day.
IDLE_MS = 15 * MINUTE_MS
LONGEST_MS = 12 * 60 * MINUTE_MS
# How finely the last use is kept; nothing is written for each request. It ends sooner, never later.
_USE_STEP_MS = 30_000
# One sentence whatever was wrong: none of the three is told apart (ASVS 6.3.8).
_WRONG = "Log-in name, password or code is wrong. Check them and wait for the next code."
_NO_ROLE = (
    "Your role was changed on a tablet, or you have left. Ask whoever keeps the server: "
    "crura staff role."
)


class Person(msgspec.Struct, frozen=True, kw_only=True):
    """Somebody who is logged in. ``digest`` names the session; times are wall milliseconds."""

    staff: str
    name: str
    login: str
    role: str
    digest: str
    began_ms: int
    used_ms: int


class SessionRow(msgspec.Struct, frozen=True, kw_only=True):
    """One log-in as its person lists them. ``session`` names it and opens nothing."""

    session: str
    began_ms: int
    used_ms: int
    is_this: bool


class Credentials(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a person types to log in; ``offer`` is of who sets a second factor up with its code."""

    # Bounded, since tries are counted by it in memory.
    login: Annotated[str, msgspec.Meta(max_length=100)]
    password: Annotated[str, msgspec.Meta(max_length=4_096)]
    code: Annotated[str, msgspec.Meta(max_length=32)] = ""
    offer: Annotated[str, msgspec.Meta(max_length=256)] = ""


def log_in(
    store: UnitStore,
    typed: Credentials,
    *,
    new_token: str,
    now_ms: int,
) -> Person:
    """Begin a session under a token that was never used before, and note it.

    Raises
    ------
    UnknownPersonError
        Something is wrong, in one sentence whatever it was.
    NotAllowedError
        All is right and the person may not get in; said to nobody who does not know the password.
    """
    login = typed.login.strip().casefold()
    with store.transaction():
        account = store.people.find_by_login(login)
    # Takes a moment; outside the transaction, so that nobody's push waits for it.
    is_right = len(typed.password) <= LONGEST and is_password(
        typed.password, account.password if account else None
    )
    with store.transaction():
        account = store.people.find_by_login(login)
        refusal: Exception | None = UnknownPersonError(_WRONG)
        if account is not None and is_right:
            refusal = _judge(store, account, typed, now_ms)
        outcome: Outcome = "done"
        if refusal is not None:
            outcome = "refused" if isinstance(refusal, NotAllowedError) else "wrong"
        # No name that was typed: people type passwords there.
        note_session(store, "log-in", account, at_ms=now_ms, outcome=outcome)
        if refusal is None and account is not None:
            end_stale(store, now_ms=now_ms)
            store.people.begin_session(new_token, account.staff, with_code=True, now_ms=now_ms)
    if refusal is not None:
        raise refusal
    person = find_person(store, new_token, now_ms=now_ms)
    if person is None:
        raise UnknownPersonError(_WRONG)
    return person


def find_person(store: UnitStore, token: str, *, now_ms: int) -> Person | None:
    """Return who is logged in under a token; None where nobody is, or not any more."""
    with store.transaction():
        session = store.people.find_session(token)
        account = store.people.find_account(session.staff) if session else None
        if session is None:
            return None
        role = role_that_counts(store, account) if account else ""
        is_over = (
            now_ms - session.used_ms >= IDLE_MS
            or now_ms - session.began_ms >= LONGEST_MS
            or now_ms < session.began_ms - MINUTE_MS
        )
        if account is None or is_over or not role or not session.with_code:
            store.people.end_session(session.digest)
            return None
        if now_ms - session.used_ms >= _USE_STEP_MS:
            store.people.note_used(session.digest, now_ms=now_ms)
        return _person(store, account, session, role)


def log_out(store: UnitStore, person: Person, *, now_ms: int) -> None:
    """End the session of a person."""
    with store.transaction():
        account = store.people.find_account(person.staff)
        store.people.end_session(person.digest)
        note_session(store, "log-out", account, at_ms=now_ms)


def list_sessions(store: UnitStore, person: Person, *, now_ms: int) -> list[SessionRow]:
    """Return the log-ins of a person that last, the latest first."""
    with store.transaction():
        end_stale(store, now_ms=now_ms)
        return [
            SessionRow(
                session=one.digest[:16],
                began_ms=one.began_ms,
                used_ms=one.used_ms,
                is_this=one.digest == person.digest,
            )
            for one in store.people.sessions_of(person.staff)
        ]


def end_one(store: UnitStore, person: Person, session: str, password: str, *, now_ms: int) -> None:
    """End one of the person's own log-ins, showing the password again.

    Raises
    ------
    NotAllowedError
        The password is wrong, or the person has no such log-in.
    """
    account = _refuse_wrong_password(store, person, password, "end-log-ins", now_ms)
    with store.transaction():
        found = [
            one.digest
            for one in store.people.sessions_of(person.staff)
            if one.digest[:16] == session
        ]
        if not found:
            raise NotAllowedError("There is no such log-in of yours. Look at the list again.")
        store.people.end_session(found[0])
        note_session(store, "end-log-ins", account, at_ms=now_ms)


def end_others(store: UnitStore, person: Person, password: str, *, now_ms: int) -> int:
    """End every other log-in of a person, showing the password again; return how many there were.

    Raises
    ------
    NotAllowedError
        The password is wrong.
    """
    account = _refuse_wrong_password(store, person, password, "end-log-ins", now_ms)
    with store.transaction():
        note_session(store, "end-log-ins", account, at_ms=now_ms)
        return store.people.end_all(person.staff, but=person.digest)


def change_own_password(
    store: UnitStore, person: Person, typed: Credentials, new: str, *, salt: str, now_ms: int
) -> None:
    """Give oneself another password, showing the old one and a fresh code; ends other log-ins.

    Raises
    ------
    NotAllowedError
        Old password or code is wrong, or the new password cannot be used. Nothing is written.
    """
    verb = "change-password"
    account = _refuse_wrong_password(store, person, typed.password, verb, now_ms)
    kept = hash_password(new, salt)
    with store.transaction():
        why = refuse_weak_password(new, (account.login, person.name))
        if why is not None:
            raise NotAllowedError(why)
        refusal = _judge(store, account, typed, now_ms)
        if refusal is None:
            store.people.set_password(person.staff, kept)
            store.people.end_all(person.staff, but=person.digest)
        # Kept also where it was refused: the transaction ends well, and the refusal comes after.
        note_session(store, verb, account, at_ms=now_ms, outcome="wrong" if refusal else "done")
    if refusal is not None:
        raise NotAllowedError(str(refusal))


def _refuse_wrong_password(
    store: UnitStore, person: Person, password: str, verb: str, now_ms: int
) -> Account:
    """Return the account of a person who shows the password once more; note a wrong one."""
    with store.transaction():
        account = store.people.find_account(person.staff)
    # Takes a moment: outside the transaction.
    is_right = len(password) <= LONGEST and is_password(
        password, account.password if account else None
    )
    if account is None or not is_right:
        note_session(store, verb, account, at_ms=now_ms, outcome="wrong")
        # The log-in itself stands: no 401, by which a page would think that it has ended.
        raise NotAllowedError(_WRONG)
    return account


def end_stale(store: UnitStore, *, now_ms: int) -> None:
    """End every log-in that was left or has lasted its time; inside a transaction."""
    store.people.end_over(used_before_ms=now_ms - IDLE_MS, began_before_ms=now_ms - LONGEST_MS)


def _judge(store: UnitStore, account: Account, typed: Credentials, now_ms: int) -> Exception | None:
    """Return why somebody whose password is right does not get in; None where a code was shown."""
    sealed, role = account.totp_sealed, role_that_counts(store, account)
    if sealed is not None:
        secret = open_secret(store.server_key, account.staff, sealed)
        if secret is None:
            # The server has another key than when it was set: a restored store.
            return NotAllowedError(NO_FACTOR)
        step = find_step(secret, typed.code, now_ms=now_ms)
        if step is None or not store.people.use_step(account.staff, step):
            return UnknownPersonError(_WRONG)
    if not role:
        return NotAllowedError(_NO_ROLE)
    if sealed is not None:
        return None
    if role in FACTOR_BY_OTHERS or not typed.offer:
        return NotAllowedError(NO_FACTOR if role in FACTOR_BY_OTHERS else SET_ONE_UP)
    try:
        is_set = take_up_offer(store, account, typed.offer, typed.code, now_ms=now_ms)
    except NotAllowedError as error:
        return error
    return None if is_set else UnknownPersonError(_WRONG)


def _person(store: UnitStore, account: Account, session: PersonSession, role: str) -> Person:
    state = store.views.state_of(account.staff)
    name = shown_value(state.fields.get("name")) if state else None
    return Person(
        staff=account.staff,
        name=str(name or ""),
        login=account.login,
        role=role,
        digest=session.digest,
        began_ms=session.began_ms,
        used_ms=session.used_ms,
    )
