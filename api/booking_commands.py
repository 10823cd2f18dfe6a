"""Commands for a booking desk: lay out a season of sessions, and propose bookings."""

import json
from pathlib import Path

import msgspec
import rich_click as click

from api.clinical_rules.civil_date import add_days
from api.command_parts import (
    data_option,
    do_here_or_there,
    draw_chance,
    note_here,
    open_store,
    refuse,
    today_of,
)
from api.storage.running_server import RunningServer, read_from_running_server
from api.storage.unit_store import UnitStore
from api.use_cases.add_sessions import add_sessions
from api.use_cases.closed_days import ClosedDays, list_closed_days, name_country
from api.use_cases.propose_bookings import LOOK_AHEAD_DAYS, Proposals, propose_bookings


@click.command("add-sessions")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--by", required=True, help="Who lays them out: staff/<id>.")
@data_option
def add_season(file: Path, by: str, folder: Path) -> None:
    """Lay out clinic sessions from a weekly pattern, closed days marked.

    FILE is JSON: time_zone, from_on, until_on, sessions (weekday, place, starts, capacity,
    equipment, every_weeks), and if wanted country, subdivision (public holidays) and closed (on,
    until_on, because, place). Sessions that stand already are left as they are.
    """
    try:
        content = file.read_bytes()
    except OSError as error:
        refuse(f"{file} cannot be read ({error.strerror}). Name a file with a weekly pattern.")
    with open_store(folder) as store:
        season = add_sessions(store, content, by=by, draw_chance=draw_chance)
    closed = ", ".join(f"{count} {because}" for because, count in season.closed.items())
    click.echo(
        f"Sessions laid out: {season.added} (closed: {closed or 'none'}). "
        f"Already there: {season.already}."
    )


@click.command("propose-bookings")
@click.option("--until", "until_on", help=f"Last day (default: {LOOK_AHEAD_DAYS} days from today).")
@click.option("--may-move", is_flag=True, help="Also move bookings that could stay.")
@click.option("--format", "form", type=click.Choice(["table", "json"]), default="table")
@data_option
def propose(until_on: str | None, may_move: bool, form: str, folder: Path) -> None:
    """Propose a session for every visit that needs one. Nothing is written.

    Also while the server runs, which then proposes.
    """

    def here(store: UnitStore) -> Proposals:
        note_here(store, "read", "bookings", why="proposals")
        today_on = today_of(store)
        return propose_bookings(
            store,
            today_on=today_on,
            until_on=add_days(today_on, LOOK_AHEAD_DAYS) if until_on is None else until_on,
            may_move=may_move,
        )

    def there(server: RunningServer) -> Proposals:
        asked = {"until_on": until_on, "may_move": may_move}
        told = read_from_running_server(server, "/api/bookings/propose", asked, about="bookings")
        return msgspec.convert(told, Proposals)

    found = do_here_or_there(folder, here, there)
    if form == "json":
        click.echo(json.dumps(msgspec.to_builtins(found), ensure_ascii=False, indent=1))
    else:
        _tell(found)


@click.command("closed-days")
@click.option("--country", help="Name the unit's country first, as in ISO 3166-1: GB.")
@click.option("--subdivision", default="", help="Its part as in ISO 3166-2: ENG.")
@click.option("--by", help="Who names the country: staff/<id>.")
@data_option
def closed_days(country: str | None, subdivision: str, by: str | None, folder: Path) -> None:
    """List the public holidays on which no session is held, and name the country they are of.

    Also while the server runs, but for naming the country.
    """

    def there(server: RunningServer) -> ClosedDays:
        told = read_from_running_server(server, "/api/closed-days", about="closed days")
        return msgspec.convert(told, ClosedDays)

    if country is None:
        found = do_here_or_there(
            folder, lambda store: list_closed_days(store, on=today_of(store)), there
        )
    else:
        with open_store(folder) as store:
            _name_country(store, country, subdivision, by)
            found = list_closed_days(store, on=today_of(store))
    for one in found.days:
        click.echo(f"{one.on}  {one.name}")
    named = "-".join(one for one in (found.country, found.subdivision) if one)
    click.echo(
        f"Closed days of {named}: {len(found.days)}, until {found.until_on}."
        if named
        else "The unit has named no country. Name it: --country, --by."
    )


def _name_country(store: UnitStore, country: str, subdivision: str, by: str | None) -> None:
    if by is None:
        refuse("Say who names the country: --by staff/<id>.")
    with store.transaction():
        name_country(store, country, subdivision, by=by, chance=draw_chance())


def _tell(found: Proposals) -> None:
    for one in found.proposals:
        place = f"{one.on} {one.starts} {one.place}"
        click.echo(f"{one.standing:5}  {place}  {one.visit}: {one.because}")
    for left in found.unbooked:
        click.echo(f"none   {left.visit}: {left.because}")
    proof = "proved the lowest" if found.is_optimal else "not proved the lowest"
    click.echo(
        f"Proposed: {len(found.proposals)}. Without a place: {len(found.unbooked)}. "
        f"Cost {found.cost}, {proof}. Nothing was written: a person books."
    )
