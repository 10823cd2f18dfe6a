"""Who is logged in: the session cookie, and what a request of a person has to show (SEC-05).

The cookie cannot be read by any script, is sent by our own pages alone and over HTTPS alone (a
browser takes the loopback for as good). What changes anything also has to say that a page of this
very server made it: what a foreign page makes a browser send is refused.
"""

from http import HTTPStatus
from typing import Annotated, Any
from urllib.parse import urlsplit

import msgspec
from litestar import Request, Response, Router, delete, get, post
from litestar.di import NamedDependency, Provide
from litestar.params import JSONBody

from api.routes.asking_source import source_of
from api.routes.surroundings import Around, Surroundings
from api.use_cases.errors import NotAllowedError, UnknownPersonError
from api.use_cases.people_sessions import (
    IDLE_MS,
    LONGEST_MS,
    Credentials,
    Person,
    SessionRow,
    change_own_password,
    end_one,
    end_others,
    find_person,
    list_sessions,
    log_in,
    log_out,
)

COOKIE = "__Host-crura"
_KEEP = "; Path=/; Secure; HttpOnly; SameSite=Strict"
_FORGET = f"{COOKIE}=; Max-Age=0{_KEEP}"
_SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
_NOBODY = "Nobody is logged in here, or it was too long ago. Log in."
_FOREIGN = "Another page made the browser send this. Open Crura itself and do it there."

AskingPerson = NamedDependency[Person]


def find_asking_person(request: Request[Any, Any, Any], around: Surroundings) -> Person | None:
    """Return who is logged in and asks, None for nobody; looked up once for each request.

    Raises
    ------
    NotAllowedError
        The session is good, and a page of somebody else made the browser use it.
    """
    held = request.state.get("person")
    if isinstance(held, Person):
        return held
    token = request.cookies.get(COOKIE, "")
    if not token:
        return None
    person = find_person(around.store, token, now_ms=around.environment.now_ms())
    if person is not None:
        refuse_foreign_page(request)
        request.state["person"] = person
    return person


def provide_person(request: Request[Any, Any, Any], around: Around) -> Person:
    """Return who is logged in and asks.

    Raises
    ------
    UnknownPersonError
        Nobody is logged in.
    NotAllowedError
        As `find_asking_person`.
    """
    person = find_asking_person(request, around)
    if person is None:
        raise UnknownPersonError(_NOBODY)
    return person


BY_A_PERSON = {"person": Provide(provide_person, sync_to_thread=True)}


def refuse_foreign_page(request: Request[Any, Any, Any]) -> None:
    """Refuse what changes something unless the browser says that our own page asks.

    Raises
    ------
    NotAllowedError
        It says another page, or nothing: no browser of today is silent about both.
    """
    if request.method in _SAFE_METHODS:
        return
    site, origin = request.headers.get("sec-fetch-site"), request.headers.get("origin")
    if site is not None:
        is_own = site == "same-origin"
    else:
        is_own = origin is not None and urlsplit(origin).netloc == request.headers.get("host", "")
    if not is_own:
        raise NotAllowedError(_FOREIGN)


class Standing(msgspec.Struct, frozen=True, kw_only=True):
    """Who is logged in, and how long that lasts; ``heads_late`` as `HeadsWatch.is_told` has it."""

    staff: str
    name: str
    login: str
    role: str
    began_ms: int
    idle_ms: int = IDLE_MS
    longest_ms: int = LONGEST_MS
    heads_late: bool = False


class Sessions(msgspec.Struct, frozen=True):
    """The log-ins of a person that last."""

    sessions: list[SessionRow]


class SessionEnd(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which log-in to end: its name, or "" for every other one; and the password once more."""

    password: Annotated[str, msgspec.Meta(max_length=4_096)]
    session: Annotated[str, msgspec.Meta(max_length=64)] = ""


class PasswordChange(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The password so far, a fresh code, and the new password."""

    password: Annotated[str, msgspec.Meta(max_length=4_096)]
    new_password: Annotated[str, msgspec.Meta(max_length=4_096)]
    code: Annotated[str, msgspec.Meta(max_length=16)] = ""


@post("/api/session", tags=["people"], opt={"needs": "session.open"}, sync_to_thread=True)
def post_session(
    request: Request[Any, Any, Any], data: JSONBody[Credentials], around: Around
) -> Response[Standing]:
    """Log in; the answer sets the cookie of a session of its own."""
    refuse_foreign_page(request)
    spend_log_in(request, around, data.login)
    environment = around.environment
    now_ms, token = environment.now_ms(), environment.new_token()
    person = log_in(around.store, data, new_token=token, now_ms=now_ms)
    former = find_asking_person(request, around)
    if former is not None:
        log_out(around.store, former, now_ms=now_ms)
    return Response(
        _standing(person, around),
        status_code=HTTPStatus.CREATED,
        headers={"set-cookie": f"{COOKIE}={token}{_KEEP}"},
    )


@get(
    "/api/session",
    tags=["people"],
    opt={"needs": "session.read"},
    dependencies=BY_A_PERSON,
    sync_to_thread=True,
)
def get_session(person: AskingPerson, around: Around) -> Standing:
    """Say who is logged in."""
    return _standing(person, around)


@delete(
    "/api/session",
    tags=["people"],
    opt={"needs": "session.end"},
    dependencies=BY_A_PERSON,
    status_code=HTTPStatus.NO_CONTENT,
    sync_to_thread=True,
)
def delete_session(person: AskingPerson, around: Around) -> Response[None]:
    """Log out: the session ends here, whatever a copy of the cookie says later."""
    log_out(around.store, person, now_ms=around.environment.now_ms())
    return Response(
        None,
        status_code=HTTPStatus.NO_CONTENT,
        headers={"set-cookie": _FORGET, "clear-site-data": '"cache"'},
    )


@get(
    "/api/sessions",
    tags=["people"],
    opt={"needs": "session.read"},
    dependencies=BY_A_PERSON,
    sync_to_thread=True,
)
def get_sessions(person: AskingPerson, around: Around) -> Sessions:
    """List the person's own log-ins."""
    return _sessions(person, around)


@post(
    "/api/session-ends",
    tags=["people"],
    opt={"needs": "session.end"},
    dependencies=BY_A_PERSON,
    sync_to_thread=True,
)
def post_session_end(person: AskingPerson, data: JSONBody[SessionEnd], around: Around) -> Sessions:
    """End one of the person's own log-ins, or all but this one; answers with those that last."""
    _spend_own(around, person)
    now_ms = around.environment.now_ms()
    if data.session:
        end_one(around.store, person, data.session, data.password, now_ms=now_ms)
    else:
        end_others(around.store, person, data.password, now_ms=now_ms)
    return _sessions(person, around)


@post(
    "/api/session-password",
    tags=["people"],
    opt={"needs": "session.change"},
    dependencies=BY_A_PERSON,
    sync_to_thread=True,
)
def post_session_password(
    person: AskingPerson,
    data: JSONBody[PasswordChange],
    around: Around,
) -> Standing:
    """Change the person's own password; every other log-in ends."""
    _spend_own(around, person)
    change_own_password(
        around.store,
        person,
        Credentials(login=person.login, password=data.password, code=data.code),
        data.new_password,
        salt=around.environment.new_salt(),
        now_ms=around.environment.now_ms(),
    )
    return _standing(person, around)


def spend_log_in(request: Request[Any, Any, Any], around: Surroundings, login: str) -> None:
    """Count one try for the source, for the account from there, and for the account at all.

    A stranger elsewhere leaves who belongs to the account its own tries.

    Raises
    ------
    TooManyTriesError
        There were too many of one of them; no password was looked at.
    """
    source, account = source_of(request), login.strip().casefold()
    around.limits.spend("login-source", source)
    around.limits.spend("login", f"{account} {source}")
    around.limits.spend("login-account", account)


def _spend_own(around: Surroundings, person: Person) -> None:
    """Count one try for who is logged in already: nobody else can use these up.

    Raises
    ------
    TooManyTriesError
        There were too many; no password was looked at.
    """
    around.limits.spend("login-own", person.staff)


def _standing(person: Person, around: Surroundings) -> Standing:
    return Standing(
        staff=person.staff,
        name=person.name,
        login=person.login,
        role=person.role,
        began_ms=person.began_ms,
        heads_late=around.heads_watch.is_told(person.role),
    )


def _sessions(person: Person, around: Surroundings) -> Sessions:
    now_ms = around.environment.now_ms()
    return Sessions(list_sessions(around.store, person, now_ms=now_ms))


# A path with several methods has to be registered as one: the framework would otherwise hand a
# handler to a thread twice.
session_router = Router(
    path="/",
    route_handlers=[
        post_session,
        get_session,
        delete_session,
        get_sessions,
        post_session_end,
        post_session_password,
    ],
)
