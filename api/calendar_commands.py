"""Commands for calendar feeds: add one, list them, revoke one, also while the server runs."""

from pathlib import Path

import msgspec
import rich_click as click

from api.command_parts import (
    DEFAULT_PORT,
    ENVIRONMENT,
    data_option,
    do_here_or_there,
)
from api.storage.calendar_tokens import CalendarToken
from api.storage.running_server import RunningServer, ask_running_server
from api.storage.unit_store import UnitStore
from api.use_cases.calendars import (
    MadeCalendar,
    Scope,
    add_calendar,
    list_calendars,
    revoke_calendar,
)
from api.use_cases.writings import civil_day


@click.group("calendar")
def calendar_group() -> None:
    """Calendar feeds of places and people: when and where, no name, no clinical word."""


@calendar_group.command("add")
@click.argument("name")
@click.option("--person", is_flag=True, help="NAME is staff/<id>, not a place.")
@data_option
def add(name: str, person: bool, folder: Path) -> None:
    """Make a feed and print its address, this one time.

    NAME is a place as the sessions name it. Whoever has the address can read the feed.
    """
    scope: Scope = "person" if person else "place"

    def here(store: UnitStore) -> tuple[MadeCalendar, str]:
        made = add_calendar(
            store,
            scope,
            name,
            token=ENVIRONMENT.new_token(),
            new_id=ENVIRONMENT.new_id(),
            now_ms=ENVIRONMENT.now_ms(),
        )
        return made, f"http://127.0.0.1:{DEFAULT_PORT}"

    def there(server: RunningServer) -> tuple[MadeCalendar, str]:
        answer = ask_running_server(
            server, "/api/calendars", {"scope": scope, "name": name}, about="calendars"
        )
        return msgspec.convert(answer, MadeCalendar), server.address

    made, address = do_here_or_there(folder, here, there)
    click.echo(f"{address}/calendar/{made.token}.ics")
    click.echo(
        f"Calendar {made.id} for {name}. It tells place and time to whoever has the address; close "
        f"it with `crura calendar revoke {made.id}`."
    )


@calendar_group.command("list")
@data_option
def list_all(folder: Path) -> None:
    """Show every feed; addresses are not shown again."""
    kept = do_here_or_there(
        folder,
        list_calendars,
        lambda server: _listed(ask_running_server(server, "/api/calendars", about="calendars")),
    )
    for one in kept:
        click.echo(_say(one))


@calendar_group.command("revoke")
@click.argument("calendar")
@data_option
def revoke(calendar: str, folder: Path) -> None:
    """Close a feed for good. CALENDAR is its id."""
    do_here_or_there(
        folder,
        lambda store: revoke_calendar(store, calendar, now_ms=ENVIRONMENT.now_ms()),
        lambda server: _ignore(
            ask_running_server(
                server, "/api/calendar-revocations", {"calendar": calendar}, about="calendars"
            )
        ),
    )
    click.echo(f"Calendar {calendar} is closed: its address finds nothing from now on.")


def _ignore(_: object) -> None:
    return None


def _listed(answer: dict[str, object]) -> list[CalendarToken]:
    return msgspec.convert(answer["calendars"], list[CalendarToken])


def _say(one: CalendarToken) -> str:
    zone = ENVIRONMENT.time_zone
    closed = "" if one.revoked_ms is None else f", closed {civil_day(one.revoked_ms, zone)}"
    return f"{one.id}  {one.name}  made {civil_day(one.made_ms, zone)}{closed}"
