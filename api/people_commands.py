"""Commands for people: add, password, second factor, codes, roles; also while the server runs."""

from pathlib import Path
from typing import Any

import msgspec
import rich_click as click
import segno

from api.command_parts import ENVIRONMENT, data_option, do_here_or_there, draw_chance, refuse
from api.storage.people_store import Opens
from api.storage.running_server import RunningServer, ask_running_server
from api.storage.unit_store import UnitStore
from api.use_cases.people import (
    PersonRow,
    add_person,
    change_role,
    let_go,
    list_people,
)
from api.use_cases.people_accounts import end_log_ins, set_password, set_second_factor
from api.use_cases.people_codes import MadeCode, make_code
from api.use_cases.people_passwords import LONGEST
from api.use_cases.people_second_factor import write_secret
from api.use_cases.writings import civil_day


@click.group("staff")
def staff_group() -> None:
    """Staff of the unit, and how they log in at the server."""


@staff_group.command("add")
@click.option("--name", required=True)
@click.option("--role", required=True)
@click.option("--login", default="", help="Log-in name (left out: made from the name).")
@data_option
def add(name: str, role: str, login: str, folder: Path) -> None:
    """Add a person to the unit."""
    content = {"name": name, "role": role, "login": login}
    added = do_here_or_there(
        folder,
        lambda store: add_person(store, name, role, by="", login=login, chance=draw_chance()),
        lambda server: str(
            ask_running_server(server, "/api/unit/staff", content, about="people")["added"]
        ),
    )
    click.echo(f"{name} is {added}.")


@staff_group.command("list")
@data_option
def list_all(folder: Path) -> None:
    """Show everybody with role, log-in name and what is set."""
    for one in _listed(folder):
        click.echo(_say(one))


@staff_group.command("password")
@click.argument("staff")
@click.option("--login", default="", help="Another log-in name.")
@click.option(
    "--from-file",
    type=click.File("r", encoding="utf-8"),
    help="Read the password from a file (- for standard input) instead of asking for it.",
)
@data_option
def password(staff: str, login: str, from_file: Any, folder: Path) -> None:  # noqa: ANN401
    """Give a person a password; their log-ins end. STAFF is staff/<id>.

    A password has 12 to 128 characters. It is asked for twice and never shown.
    """
    typed = _read_password(from_file)

    def here(store: UnitStore) -> str:
        return set_password(
            store,
            staff,
            typed,
            salt=ENVIRONMENT.new_salt(),
            now_ms=ENVIRONMENT.now_ms(),
            login=login,
        )

    content = {"staff": staff, "password": typed, "login": login}
    found = do_here_or_there(
        folder,
        here,
        lambda server: str(
            ask_running_server(server, "/api/unit/log-ins", content, about="people")["login"]
        ),
    )
    click.echo(f"{staff} logs in as {found}. Set a second factor too: crura staff totp {staff}.")


@staff_group.command("totp")
@click.argument("staff")
@data_option
def totp(staff: str, folder: Path) -> None:
    """Give a person a new second factor and show it this one time. STAFF is staff/<id>."""

    def here(store: UnitStore) -> tuple[str, str]:
        made = set_second_factor(
            store,
            staff,
            token=ENVIRONMENT.new_token(),
            salt=ENVIRONMENT.new_salt(),
            now_ms=ENVIRONMENT.now_ms(),
        )
        return write_secret(made.secret), made.address

    def there(server: RunningServer) -> tuple[str, str]:
        answer = ask_running_server(server, "/api/unit/log-ins", {"staff": staff}, about="people")
        return str(answer["secret"]), str(answer["address"])

    secret, address = do_here_or_there(folder, here, there)
    segno.make_qr(address, error="m").terminal(compact=True)
    click.echo(f"Key: {secret}")
    click.echo("Read the code with an app for one-time codes. It is not shown again.")


@staff_group.command("code")
@click.argument("staff")
@click.option("--log-in", "opens_log_in", is_flag=True, help="For a first log-in at the server.")
@data_option
def code(staff: str, opens_log_in: bool, folder: Path) -> None:
    """Print a one-time code that lets a person onto a tablet. STAFF is staff/<id>.

    With --log-in a password that there is goes, and the person's log-ins end.
    """
    opens: Opens = "log-in" if opens_log_in else "tablet"

    def here(store: UnitStore) -> MadeCode:
        return make_code(
            store, staff, opens, code=ENVIRONMENT.new_code(), by="", now_ms=ENVIRONMENT.now_ms()
        )

    content = {"staff": staff, "opens": opens}
    made = do_here_or_there(
        folder,
        here,
        lambda server: msgspec.convert(
            ask_running_server(server, "/api/staff-codes", content, about="people"), MadeCode
        ),
    )
    where = "for a first log-in at the unit desk" if opens_log_in else "on one tablet"
    over = civil_day(made.expires_ms, ENVIRONMENT.time_zone)
    click.echo(f"{made.code}\nFor {staff}, {where}, once, until the same time on {over}.")


@staff_group.command("role")
@click.argument("staff")
@click.argument("role")
@data_option
def role_command(staff: str, role: str, folder: Path) -> None:
    """Give a person a role; their log-ins end. STAFF is staff/<id>."""
    do_here_or_there(
        folder,
        lambda store: change_role(store, staff, role, by="", chance=draw_chance()),
        lambda server: _change(server, {"staff": staff, "change": "role", "role": role}),
    )
    click.echo(f"{staff} is {role} from now on.")


@staff_group.command("leave")
@click.argument("staff")
@data_option
def leave(staff: str, folder: Path) -> None:
    """Record that a person (STAFF is staff/<id>) has left: password, factor and log-ins go."""
    do_here_or_there(
        folder,
        lambda store: let_go(store, staff, by="", chance=draw_chance()),
        lambda server: _change(server, {"staff": staff, "change": "leave"}),
    )
    click.echo(f"{staff} has left. What the person recorded stays.")


@staff_group.command("end-sessions")
@click.argument("staff")
@data_option
def end_sessions(staff: str, folder: Path) -> None:
    """End every log-in of a person at the server. STAFF is staff/<id>."""

    def here(store: UnitStore) -> None:
        end_log_ins(store, staff, by="", now_ms=ENVIRONMENT.now_ms())

    do_here_or_there(
        folder, here, lambda server: _change(server, {"staff": staff, "change": "end-log-ins"})
    )
    click.echo(f"Every log-in of {staff} has ended.")


def _read_password(from_file: Any) -> str:  # noqa: ANN401  an open text file
    if from_file is None:
        return str(click.prompt("Password", hide_input=True, confirmation_prompt=True))
    # One over the most: a longer one is refused with the sentence for that.
    typed = str(from_file.readline(LONGEST + 2)).rstrip("\r\n")
    if not typed:
        refuse("The file holds no password in its first line. Write it there.")
    return typed


def _listed(folder: Path) -> list[PersonRow]:
    return do_here_or_there(
        folder,
        list_people,
        lambda server: _people(ask_running_server(server, "/api/unit/staff", about="people")),
    )


def _people(answer: dict[str, Any]) -> list[PersonRow]:
    return msgspec.convert(answer["people"], list[PersonRow])


def _change(server: RunningServer, content: dict[str, Any]) -> None:
    ask_running_server(server, "/api/unit/staff-changes", content, about="people")


def _say(one: PersonRow) -> str:
    if not one.is_active:
        return f"{one.staff}  {one.name}  has left"
    log_in = "no log-in"
    if one.has_password:
        log_in = f"logs in as {one.login}" + (
            " with a code" if one.has_second_factor else " without a code"
        )
    role = one.role or "no settled role"
    given = "" if one.given_role in ("", one.role) else f" (given here: {one.given_role})"
    return f"{one.staff}  {one.name}  {role}{given}  {log_in}"
