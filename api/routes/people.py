"""People over HTTP: the unit admin keeps them; codes let them onto tablets and to a first log-in.

What a person may do here, a command at the server may too, by the key of the data folder.
"""

from typing import Annotated, Any, Literal

import msgspec
from litestar import Request, Router, get, post
from litestar.di import NamedDependency, Provide
from litestar.params import JSONBody

from api.routes.access_events import note_refusal
from api.routes.asking_source import source_of
from api.routes.device_proof import is_of_machine
from api.routes.person_session import (
    find_asking_person,
    refuse_foreign_page,
)
from api.routes.surroundings import BY_A_DEVICE, Around, AskingDevice
from api.storage.people_store import Opens
from api.use_cases.errors import JoinRefusedError, UnknownPersonError
from api.use_cases.people import (
    PersonRow,
    add_person,
    change_role,
    let_go,
    list_people,
    take_back,
)
from api.use_cases.people_accounts import end_log_ins, set_password, set_second_factor
from api.use_cases.people_codes import LetOnto, MadeCode, make_code, redeem_on_tablet, set_up_log_in
from api.use_cases.people_passwords import LONGEST
from api.use_cases.people_second_factor import write_secret

_Id = Annotated[str, msgspec.Meta(max_length=64)]
_Password = Annotated[str, msgspec.Meta(max_length=4 * LONGEST)]
# Who keeps people: `staff/<id>` of who is logged in, "" for a command at the server.
Keeper = NamedDependency[str]


def provide_keeper(request: Request[Any, Any, Any], around: Around) -> str:
    """Return who keeps people: ``staff/<id>``, or "" for a command at the server.

    Raises
    ------
    UnknownPersonError
        Nobody is logged in.
    """
    if is_of_machine(request):
        return ""
    person = find_asking_person(request, around)
    if person is None:
        raise UnknownPersonError("Nobody is logged in here. Log in at the unit desk.")
    return person.staff


BY_A_KEEPER = {"keeper": Provide(provide_keeper, sync_to_thread=True)}


class People(msgspec.Struct, frozen=True):
    """Everybody who works here or did; ``added`` is who was added just now."""

    people: list[PersonRow]
    added: str = ""


class NewPerson(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Whom to add; ``login`` "" takes a log-in name made from the name."""

    name: Annotated[str, msgspec.Meta(max_length=200)]
    role: _Id
    login: _Id = ""


class PersonChange(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is to become of a person; ``role`` goes with the change of it alone."""

    staff: _Id
    change: Literal["role", "leave", "return", "end-log-ins"]
    role: _Id = ""


class CodeRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """For whom a one-time code is, and what it opens."""

    staff: _Id
    opens: Opens = "tablet"


class TypedCode(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A code as it was typed on a tablet."""

    code: _Id


class FirstLogIn(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The one-time code of a person, and the password that the person chose."""

    code: _Id
    password: _Password


class LogInSecrets(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a command at the server gives a person; ``password`` None gives a second factor."""

    staff: _Id
    password: _Password | None = None
    login: _Id = ""


class LogInMade(msgspec.Struct, frozen=True, kw_only=True):
    """The log-in name and, this one time, the second factor: to type, and for an app to read."""

    login: str
    secret: str = ""
    address: str = ""


@get(
    "/api/unit/staff",
    tags=["people"],
    opt={"needs": "unit-staff.read"},
    dependencies=BY_A_KEEPER,
    sync_to_thread=True,
)
def get_people(keeper: Keeper, around: Around) -> People:
    """List everybody who works here or did."""
    return People(list_people(around.store))


@post(
    "/api/unit/staff",
    tags=["people"],
    opt={"needs": "unit-staff.change"},
    dependencies=BY_A_KEEPER,
    sync_to_thread=True,
)
def post_person(keeper: Keeper, data: JSONBody[NewPerson], around: Around) -> People:
    """Add a person."""
    added = add_person(
        around.store,
        data.name,
        data.role,
        by=keeper,
        login=data.login.strip().casefold(),
        chance=around.draw_chance(),
    )
    return People(list_people(around.store), added)


@post(
    "/api/unit/staff-changes",
    tags=["people"],
    opt={"needs": "unit-staff.change"},
    dependencies=BY_A_KEEPER,
    sync_to_thread=True,
)
def post_person_change(keeper: Keeper, data: JSONBody[PersonChange], around: Around) -> People:
    """Give a role, record that somebody has left or is back, or end log-ins."""
    store, chance = around.store, around.draw_chance()
    if data.change == "role":
        change_role(store, data.staff, data.role, by=keeper, chance=chance)
    elif data.change == "leave":
        let_go(store, data.staff, by=keeper, chance=chance)
    elif data.change == "return":
        take_back(store, data.staff, by=keeper, chance=chance)
    else:
        end_log_ins(store, data.staff, by=keeper, now_ms=chance.now_ms)
    return People(list_people(store))


@post(
    "/api/staff-codes",
    tags=["people"],
    opt={"needs": "staff-codes.make"},
    dependencies=BY_A_KEEPER,
    sync_to_thread=True,
)
def post_staff_code(keeper: Keeper, data: JSONBody[CodeRequest], around: Around) -> MadeCode:
    """Make a one-time code for a person; it is told this one time."""
    environment = around.environment
    return make_code(
        around.store,
        data.staff,
        data.opens,
        code=environment.new_code(),
        by=keeper,
        now_ms=environment.now_ms(),
    )


@post(
    "/api/staff-codes/redeem",
    tags=["people"],
    opt={"needs": "staff-codes.redeem"},
    dependencies=BY_A_DEVICE,
    sync_to_thread=True,
)
def post_redeemed_code(
    request: Request[Any, Any, Any],
    device: AskingDevice,
    data: JSONBody[TypedCode],
    around: Around,
) -> LetOnto:
    """Use a code up on a tablet: whom it lets on."""
    around.limits.refuse_if_spent("join", device.id)
    try:
        now_ms = around.environment.now_ms()
        return redeem_on_tablet(around.store, device, data.code, now_ms=now_ms)
    except JoinRefusedError:
        note_refusal(request, around, "redeem", "staff-codes")
        around.limits.spend("join", device.id)
        raise


@post("/api/session-first", tags=["people"], opt={"needs": "session.open"}, sync_to_thread=True)
def post_first_log_in(
    request: Request[Any, Any, Any], data: JSONBody[FirstLogIn], around: Around
) -> LogInMade:
    """Let a person choose a password by a one-time code; tells a second factor this one time."""
    refuse_foreign_page(request)
    # The code has 79 random bits: only an address can try too many, no account is locked.
    around.limits.spend("login-source", source_of(request))
    environment = around.environment
    try:
        login, factor = set_up_log_in(
            around.store,
            data.code,
            data.password,
            token=environment.new_token(),
            salts=(environment.new_salt(), environment.new_salt()),
            now_ms=environment.now_ms(),
        )
    except JoinRefusedError:
        note_refusal(request, around, "set-up", "staff-codes")
        raise
    return LogInMade(
        login=login,
        secret=write_secret(factor.secret),
        address=factor.address,
    )


@post(
    "/api/unit/log-ins",
    include_in_schema=False,
    opt={"needs": "log-ins.set"},
    sync_to_thread=True,
)
def post_log_in_secrets(
    request: Request[Any, Any, Any], data: JSONBody[LogInSecrets], around: Around
) -> LogInMade:
    """Set a password or a second factor for `crura staff`, which holds the key of the folder."""
    if not is_of_machine(request):
        raise UnknownPersonError("Passwords are set by `crura staff password` on the server.")
    environment = around.environment
    if data.password is not None:
        login = set_password(
            around.store,
            data.staff,
            data.password,
            salt=environment.new_salt(),
            now_ms=environment.now_ms(),
            login=data.login.strip().casefold(),
        )
        return LogInMade(login=login)
    factor = set_second_factor(
        around.store,
        data.staff,
        token=environment.new_token(),
        salt=environment.new_salt(),
        now_ms=environment.now_ms(),
    )
    return LogInMade(login="", secret=write_secret(factor.secret), address=factor.address)


people_router = Router(
    path="/",
    route_handlers=[
        get_people,
        post_person,
        post_person_change,
        post_staff_code,
        post_redeemed_code,
        post_first_log_in,
        post_log_in_secrets,
    ],
)
