"""`crura find-lot`: who has a device, and whom to write to."""

import json
from pathlib import Path

import msgspec
import rich_click as click

from api.clinic_commands import write_file
from api.command_parts import (
    ENVIRONMENT,
    data_option,
    do_here_or_there,
    draw_chance,
    note_here,
    today_of,
)
from api.storage.running_server import RunningServer
from api.storage.unit_store import UnitStore
from api.trace_command_parts import (
    ask_server,
    criteria_options,
    person_option,
    read_lots,
    tell_found,
)
from api.use_cases.find_lots import LotSearch, find_lots, read_search
from api.use_cases.name_handed_out import name_found
from api.use_cases.recall_letters import (
    RecallLetters,
    list_recall_letters,
    print_recall_letters,
)


@click.command("find-lot")
@click.argument("lots", nargs=-1, metavar="[LOT]...")
@criteria_options
@click.option("--serial")
@click.option("--from", "from_on", help="First day of the period for unknown lots, YYYY-MM-DD.")
@click.option("--to", "to_on", help="Last day of the period for unknown lots, YYYY-MM-DD.")
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
    as_typed: bool,
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

    Several LOTs in one text, parted by commas, blanks, tabs or slashes, are searched for whole and
    in their parts, and each is told. A word for lot before it does not count. A period bounds the
    unknown alone: an implant without a day has that of its case, and one whose day nobody can tell
    is listed always. The search is kept with its period, with who searched and why. Also while the
    server runs, which then searches.
    """
    searched = read_lots(lots, as_typed=as_typed)
    content = {
        "lots": searched,
        "serial": serial,
        "identifier": identifier,
        "expires_from": expires_from,
        "expires_to": expires_to,
        "item": item,
        "from_on": from_on,
        "to_on": to_on,
    }
    wants_pdf = letters is not None and letters.suffix.lower() == ".pdf"

    def here(store: UnitStore) -> tuple[LotSearch, RecallLetters | None]:
        search = read_search(content)
        found = find_lots(
            store, search, on=today_of(store), by=by, because=because, chance=draw_chance()
        )
        note_here(store, "search", "implants", name_found(found), f"{by}: {because}")
        if letters is None:
            return found, None
        zone = ENVIRONMENT.time_zone
        if wants_pdf:
            made = print_recall_letters(store, found, on=today_of(store), time_zone=zone)
        else:
            made = list_recall_letters(store, found, time_zone=zone)
        return found, made

    def there(server: RunningServer) -> tuple[LotSearch, RecallLetters | None]:
        said = {"search": content, "by": by, "because": because}
        wanted = {"with_letters": letters is not None, "with_pdf": wants_pdf}
        told = ask_server(server, "/api/lot-searches", {**said, **wanted})
        made = told["letters"]
        return (
            msgspec.convert(told["found"], LotSearch),
            msgspec.convert(made, RecallLetters) if made is not None else None,
        )

    found, made = do_here_or_there(folder, here, there)
    if letters is not None and made is not None:
        _write_letters(made, letters)
    if csv_file is not None:
        write_file(csv_file, found.csv.encode())
    for lot in searched:
        click.echo(f"Searched for lot {lot}", err=True)
    if form == "json":
        click.echo(json.dumps(msgspec.to_builtins(found), ensure_ascii=False, indent=1))
    else:
        tell_found(found)
        if from_on or to_on:
            days = _say_period(from_on, to_on)
            click.echo(f"Unknown lots are listed {days}, and where nobody knows the day.")


def _say_period(from_on: str | None, to_on: str | None) -> str:
    if from_on and to_on:
        return f"from {from_on} to {to_on}"
    return f"from {from_on} on" if from_on else f"up to {to_on}"


def _write_letters(made: RecallLetters, target: Path) -> None:
    """Write whom to write to; of a PDF say what is not in it, and what to have read first."""
    if target.suffix.lower() != ".pdf":
        write_file(target, made.csv.encode())
        return
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
