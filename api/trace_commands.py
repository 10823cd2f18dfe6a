"""Commands for recalls: find who has a lot; enter a notice, withdraw it, list whom it touches."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import rich_click as click

from api.clinic_commands import write_file
from api.clinical_rules.implant_search import GROUPS, ITEMS
from api.command_parts import (
    ENVIRONMENT,
    data_option,
    do_here_or_there,
    draw_chance,
    note_here,
    open_store,
    today_of,
)
from api.storage.running_server import RunningServer, ask_running_server
from api.storage.unit_store import UnitStore
from api.use_cases.find_lots import LotSearch, find_lots, read_search, split_lots
from api.use_cases.implant_owners import FoundImplant
from api.use_cases.recall_letters import list_recall_letters, print_recall_letters
from api.use_cases.recalls import OnShelf, Touched, add_recall, list_touched, withdraw_recall

# A search over a million implants takes a tenth of a second; a busy server takes longer.
SEARCH_SECONDS = 60.0
_TITLES = {
    "same": "This lot",
    "alike": "Looks alike",
    "near": "Near: one sign apart, or something else differs",
    "unknown": "Nobody knows: look into these cases",
}


def add_trace_commands(main: click.Group) -> None:
    """Add the commands of this file to `crura`."""
    main.add_command(find_lot)
    main.add_command(recall_group)


def criteria_options(command: Callable[..., None]) -> Callable[..., None]:
    """Add what a device can be told by, beside its lot."""
    for option in (
        click.option("--item", type=click.Choice(ITEMS), help="Narrow to one kind of device."),
        click.option("--expires-to", help="Last date of expiry."),
        click.option("--expires-from", help="First date of expiry."),
        click.option("--identifier", help="Device identifier: GTIN or HIBC."),
    ):
        command = option(command)
    return command


def read_criteria(
    lots: tuple[str, ...],
    identifier: str | None,
    expires_from: str | None,
    expires_to: str | None,
) -> dict[str, Any]:
    """Return what a notice names, as `add_recall` takes it; what was left out narrows nothing."""
    named = {
        "identifier": identifier,
        "lots": [lot for typed in lots for lot in split_lots(typed)],
        "expires_from": expires_from,
        "expires_to": expires_to,
    }
    return {key: value for key, value in named.items() if value}


def person_option(command: Callable[..., None]) -> Callable[..., None]:
    """Add who does it."""
    return click.option("--by", required=True, help="Who does it: staff/<id>.")(command)


@click.command("find-lot")
@click.argument("lots", nargs=-1, metavar="[LOT]...")
@criteria_options
@click.option("--serial")
@click.option("--from", "from_on", help="First day of the period for unknown lots.")
@click.option("--to", "to_on", help="Last day of the period for unknown lots.")
@person_option
@click.option("--because", required=True, help="Why it is searched; kept in the record.")
@click.option("--csv", "csv_file", type=click.Path(path_type=Path), help="Write the list there.")
@click.option(
    "--letters",
    type=click.Path(path_type=Path),
    help="Write whom to write to: the letters to print where the name ends in .pdf, else a CSV.",
)
@click.option("--format", "form", type=click.Choice(["table", "json"]), default="table")
@data_option
def find_lot(
    lots: tuple[str, ...],
    identifier: str | None,
    expires_from: str | None,
    expires_to: str | None,
    item: str | None,
    serial: str | None,
    from_on: str | None,
    to_on: str | None,
    by: str,
    because: str,
    csv_file: Path | None,
    letters: Path | None,
    form: str,
    folder: Path,
) -> None:
    """Find every patient with a device: this LOT, look-alikes, near ones, and the unknown.

    The search is kept, with who searched and why.
    """
    content = {
        "lots": [lot for typed in lots for lot in split_lots(typed)],
        "serial": serial,
        "identifier": identifier,
        "expires_from": expires_from,
        "expires_to": expires_to,
        "item": item,
        "from_on": from_on,
        "to_on": to_on,
    }
    with open_store(folder) as store:
        search = read_search(content)
        note_here(store, "search", "implants", why=f"{by}: {because}")
        found = find_lots(
            store, search, on=today_of(store), by=by, because=because, chance=draw_chance()
        )
        if letters is not None:
            _write_letters(store, found, letters)
    if csv_file is not None:
        write_file(csv_file, found.csv.encode())
    if form == "json":
        click.echo(json.dumps(msgspec.to_builtins(found), ensure_ascii=False, indent=1))
    else:
        _tell(found)


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
    named = read_criteria(lots, identifier, expires_from, expires_to)

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
        return str(_ask(server, "/api/recalls", {"criteria": named, **notice})["record"])

    record = do_here_or_there(folder, here, there)
    click.echo(f"{record} is in force. See whom it touches: crura recall list --by {by}")


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
        _ask(server, "/api/recall-withdrawals", said)

    do_here_or_there(folder, here, there)
    click.echo(f"{notice} is withdrawn.")


@recall_group.command("list")
@person_option
@click.option("--format", "form", type=click.Choice(["table", "json"]), default="table")
@data_option
def list_notices(by: str, form: str, folder: Path) -> None:
    """Say of every notice in force whom it touches and what of it is on the shelf."""

    def here(store: UnitStore) -> list[Touched]:
        note_here(store, "search", "implants", why=f"{by}: recall notices")
        return list_touched(store, on=today_of(store), by=by, draw_chance=draw_chance)

    def there(server: RunningServer) -> list[Touched]:
        notices = _ask(server, "/api/recall-searches", {"by": by})["notices"]
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
            _tell(one.found)
        for lot in one.shelf:
            click.echo(f"  on the shelf: {_say_shelf(lot)}")
    click.echo(f"Notices in force: {len({one.notice for one in found})}.")


def _ask(server: RunningServer, path: str, content: dict[str, Any]) -> dict[str, Any]:
    return ask_running_server(
        server, path, content, about="recall notices", longest_seconds=SEARCH_SECONDS
    )


def _write_letters(store: UnitStore, found: LotSearch, target: Path) -> None:
    """Write whom to write to; of a PDF say what is not in it, and what to have read first."""
    zone = ENVIRONMENT.time_zone
    if target.suffix.lower() != ".pdf":
        listed = list_recall_letters(store, found, time_zone=zone)
        write_file(target, listed.csv.encode())
        return
    made = print_recall_letters(store, found, on=today_of(store), time_zone=zone)
    if made.pdf is not None:
        write_file(target, made.pdf)
    withheld = [one for one in made.letters if one.withheld]
    for one in withheld:
        who = one.number or one.name or one.patient or "no patient"
        click.echo(f"No letter to {who}: {one.withheld}", err=True)
    drafts = sorted({one.language or "the unit's language" for one in made.letters if one.is_draft})
    if drafts:
        click.echo(
            f"Nobody has reviewed the sentences in {', '.join(drafts)}: have somebody read them "
            "before you post.",
            err=True,
        )
    click.echo(
        f"Letters: {len(made.letters) - len(withheld)}. Withheld: {len(withheld)}.", err=True
    )


def _tell(found: LotSearch) -> None:
    for caution in found.cautions:
        click.echo(caution, err=True)
    for group in GROUPS:
        rows = [one for one in found.implants if one.group == group]
        if rows:
            click.echo(f"{_TITLES[group]} ({len(rows)}):")
        for one in rows:
            click.echo(f"  {_say(one)}")
    click.echo(
        f"Patients found: {found.found}. Further patients whose lot nobody knows: {found.unknown}."
    )


def _say(one: FoundImplant) -> str:
    parts = [
        one.on_day or "no day",
        one.number or one.patient or "no patient",
        one.name,
        one.what,
        one.fate,
        f"lot {one.lot}" if one.lot else "lot unknown",
        f"serial {one.serial}" if one.serial else "",
        f"expires {one.expires_on}" if one.expires_on else "",
        f"differs in {', '.join(one.differs)}" if one.differs else "",
        ", ".join(one.marks),
        one.case,
    ]
    return "  ".join(part for part in parts if part)


def _say_shelf(lot: OnShelf) -> str:
    named = f"lot {lot.lot}" if lot.lot else "lot unknown"
    return f"{lot.name}, {named}, {lot.count} ({_TITLES[lot.group].split(':')[0].lower()})"
