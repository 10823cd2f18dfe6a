"""Commands for recalls: enter a notice, withdraw it, list whom it touches; and `find-lot`."""

import json
from pathlib import Path

import msgspec
import rich_click as click

from api.command_parts import (
    data_option,
    do_here_or_there,
    draw_chance,
    note_here,
    today_of,
)
from api.find_lot_command import find_lot
from api.storage.running_server import RunningServer
from api.storage.unit_store import UnitStore
from api.trace_command_parts import (
    ask_server,
    criteria_options,
    person_option,
    read_criteria,
    say_shelf,
    tell_found,
    tell_held,
)
from api.use_cases.name_handed_out import name_found
from api.use_cases.recalls import Touched, add_recall, list_touched, withdraw_recall


def add_trace_commands(main: click.Group) -> None:
    """Add the commands of this file to `crura`."""
    main.add_command(find_lot)
    main.add_command(recall_group)


@click.group("recall")
def recall_group() -> None:
    """Recall notices: which devices they name, and whom they touch."""


@recall_group.command("add")
@click.argument("lots", nargs=-1, metavar="[LOT]...")
@criteria_options
@click.option("--reason", required=True, help="In the words of the notice.")
@click.option("--issued-on", required=True, help="Day of the notice.")
@person_option
@data_option
def add(
    lots: tuple[str, ...],
    as_typed: bool,
    identifier: str | None,
    expires_from: str | None,
    expires_to: str | None,
    item: str | None,
    reason: str,
    issued_on: str,
    by: str,
    folder: Path,
) -> None:
    """Write down a notice that names LOTS, an identifier or dates of expiry; it is in force."""
    named = read_criteria(lots, identifier, expires_from, expires_to, as_typed=as_typed)

    def here(store: UnitStore) -> str:
        return add_recall(
            store,
            named,
            item=item,
            reason=reason,
            issued_on=issued_on,
            by=by,
            chance=draw_chance(),
        )

    def there(server: RunningServer) -> str:
        notice = {"item": item, "reason": reason, "issued_on": issued_on, "by": by}
        return str(ask_server(server, "/api/recalls", {"criteria": named, **notice})["record"])

    record = do_here_or_there(folder, here, there)
    click.echo(f"{record} is in force. See whom it touches: crura recall list --by {by}")
    tell_held(named)


@recall_group.command("withdraw")
@click.argument("notice")
@person_option
@click.option("--because", required=True)
@data_option
def withdraw(notice: str, by: str, because: str, folder: Path) -> None:
    """Say that NOTICE (recall_notice/<id>) is in force no longer."""

    def here(store: UnitStore) -> None:
        withdraw_recall(store, notice, by=by, because=because, chance=draw_chance())

    def there(server: RunningServer) -> None:
        said = {"record": notice, "by": by, "because": because}
        ask_server(server, "/api/recall-withdrawals", said)

    do_here_or_there(folder, here, there)
    click.echo(f"{notice} is withdrawn.")


@recall_group.command("list")
@person_option
@click.option("--format", "form", type=click.Choice(["table", "json"]), default="table")
@data_option
def list_notices(by: str, form: str, folder: Path) -> None:
    """Say of every notice in force whom it touches and what of it is on the shelf."""

    def here(store: UnitStore) -> list[Touched]:
        touched = list_touched(store, on=today_of(store), by=by, draw_chance=draw_chance)
        named = name_found(*(one.found for one in touched))
        note_here(store, "search", "implants", named, f"{by}: recall notices")
        return touched

    def there(server: RunningServer) -> list[Touched]:
        notices = ask_server(server, "/api/recall-searches", {"by": by})["notices"]
        return msgspec.convert(notices, list[Touched])

    found = do_here_or_there(folder, here, there)
    if form == "json":
        click.echo(json.dumps(msgspec.to_builtins(found), ensure_ascii=False, indent=1))
        return
    for one in found:
        click.echo(f"{one.notice}, issued {one.issued_on}: {one.reason}")
        if one.found is None:
            click.echo(f"  Nobody can search by it. {one.sentence}", err=True)
        else:
            tell_found(one.found)
        for lot in one.shelf:
            click.echo(f"  on the shelf: {say_shelf(lot)}")
    click.echo(f"Notices in force: {len({one.notice for one in found})}.")
