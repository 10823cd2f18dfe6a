"""Commands for the clinic: how follow-up is kept, letters, reminders, and what is exported."""

import base64
import json
from pathlib import Path

import msgspec
import rich_click as click

from api.command_parts import (
    ENVIRONMENT,
    address_of,
    data_option,
    do_here_or_there,
    draw_chance,
    note_here,
    open_store,
    read_visits,
    refuse,
    today_of,
)
from api.documents.contact_bars import Expected
from api.documents.letter_words import LETTER_KINDS, LetterKind
from api.storage.errors import StorageError
from api.storage.running_server import (
    RunningServer,
    fetch_from_running_server,
    read_from_running_server,
)
from api.storage.unit_store import UnitStore
from api.use_cases.count_follow_up import FollowUpMeasures, count_follow_up
from api.use_cases.export_visits import export_visits
from api.use_cases.list_failsafe import REASONS, FailsafeList, list_failsafe, print_failsafe
from api.use_cases.list_reminders import Reminders, list_reminders
from api.use_cases.make_letters import MadeLetter, MadeLetters, Withheld, make_letters
from api.use_cases.name_handed_out import name_listed
from api.use_cases.sign_failsafe import sign_failsafe
from api.use_cases.unit_settings import read_unit_settings


def add_clinic_commands(main: click.Group) -> None:
    """Add the commands of this file to `crura`."""
    main.add_command(follow_up_measures)
    main.add_command(letters)
    main.add_command(reminders)
    main.add_command(visits_export)
    main.add_command(failsafe_list)
    main.add_command(failsafe_sign)


def write_file(path: Path, content: bytes) -> None:
    """Write what was made, or say in a sentence why it cannot be written."""
    try:
        path.write_bytes(content)
    except OSError as error:
        refuse(f"{path} cannot be written ({error.strerror}). Name another file.")


def _tell_withheld(withheld: list[Withheld]) -> None:
    for one in withheld:
        click.echo(f"{one.visit}: withheld. {one.because}", err=True)


@click.command("follow-up-measures")
@click.option("--from", "from_on", help="First day (default: a year before the last).")
@click.option("--until", "until_on", help="Last day (default: today).")
@click.option("--format", "form", type=click.Choice(["table", "json"]), default="table")
@data_option
def follow_up_measures(from_on: str | None, until_on: str | None, form: str, folder: Path) -> None:
    """Say how well follow-up is kept, for the unit and each place.

    Also while the server runs, which then counts.
    """

    def here(store: UnitStore) -> FollowUpMeasures:
        return count_follow_up(
            store,
            from_on=from_on,
            until_on=until_on,
            on=today_of(store),
            time_zone=ENVIRONMENT.time_zone,
        )

    def there(server: RunningServer) -> FollowUpMeasures:
        address = address_of("/api/follow-up-measures", from_on=from_on, until_on=until_on)
        told = read_from_running_server(server, address, about="follow-up")
        return msgspec.convert(told, FollowUpMeasures)

    found = do_here_or_there(folder, here, there)
    if form == "json":
        click.echo(json.dumps(msgspec.to_builtins(found), ensure_ascii=False, indent=1))
        return
    click.echo(f"From {found.from_on} until {found.until_on}, by {found.rule_file}.")
    for one in found.measures:
        where = "the unit" if one.place is None else (one.place or "no place")
        figure = "no figure" if one.figure is None else f"{one.figure} {one.unit}"
        lacking = f", {one.missing} cannot be judged" if one.missing else ""
        click.echo(f"{where}: {one.measure} {figure} ({one.count} of {one.of}{lacking})")


@click.command("letters")
@click.argument("kind", type=click.Choice(list(LETTER_KINDS)))
@click.argument("visits", nargs=-1, required=True)
@click.option("--to", "target", type=click.Path(path_type=Path), required=True, help="A PDF file.")
@data_option
def letters(kind: LetterKind, visits: tuple[str, ...], target: Path, folder: Path) -> None:
    """Make letters about VISITS (visit/<id>) as they stand now, in one PDF.

    Also while the server runs, which then makes them.
    """
    wanted = read_visits(visits)

    def here(store: UnitStore) -> MadeLetters:
        note_here(store, "export", "letters", tuple(wanted))
        return make_letters(
            store,
            [Expected(visit) for visit in wanted],
            kind,
            on=today_of(store),
            time_zone=ENVIRONMENT.time_zone,
        )

    def there(server: RunningServer) -> MadeLetters:
        asked = {"kind": kind, "visits": wanted}
        told = read_from_running_server(server, "/api/letters", asked, about="letters")
        return MadeLetters(
            None if told["pdf"] is None else base64.b64decode(told["pdf"]),
            msgspec.convert(told["letters"], list[MadeLetter]),
            msgspec.convert(told["withheld"], list[Withheld]),
        )

    made = do_here_or_there(folder, here, there)
    _tell_withheld(made.withheld)
    if made.pdf is not None:
        write_file(target, made.pdf)
    drafts = sorted({one.language for one in made.letters if one.is_draft})
    if drafts:
        click.echo(
            f"Nobody has reviewed the sentences in {', '.join(drafts)}: have somebody read them "
            "before you post.",
            err=True,
        )
    click.echo(f"Letters: {len(made.letters)}. Withheld: {len(made.withheld)}.")


@click.command("reminders")
@click.option("--from", "from_on", help="First day (default: today).")
@click.option("--until", "until_on", help="Last day (default: the first).")
@click.option("--to", "target", type=click.Path(path_type=Path), required=True, help="A CSV file.")
@data_option
def reminders(from_on: str | None, until_on: str | None, target: Path, folder: Path) -> None:
    """List the reminders that fall due, for the hospital's own messaging.

    Also while the server runs, which then lists them.
    """

    def here(store: UnitStore) -> Reminders:
        note_here(store, "read", "reminders")
        return list_reminders(
            store,
            from_on=from_on,
            until_on=until_on,
            on=today_of(store),
            time_zone=ENVIRONMENT.time_zone,
        )

    def there(server: RunningServer) -> Reminders:
        address = address_of("/api/reminders", from_on=from_on, until_on=until_on)
        told = read_from_running_server(server, address, about="reminders")
        return msgspec.convert(told, Reminders)

    made = do_here_or_there(folder, here, there)
    _tell_withheld(made.withheld)
    write_file(target, made.csv.encode())
    click.echo(f"Reminders: {len(made.reminders)}. Withheld: {len(made.withheld)}.")


@click.command("export-visits")
@click.option("--to", "target", type=click.Path(path_type=Path), required=True, help="A JSON file.")
@data_option
def visits_export(target: Path, folder: Path) -> None:
    """Write every visit as FHIR R4B, checked before it leaves.

    Also while the server runs, which then makes it.
    """

    def here(store: UnitStore) -> bytes:
        note_here(store, "export", "visits")
        return export_visits(
            store,
            on=today_of(store),
            now_ms=ENVIRONMENT.now_ms(),
            time_zone=ENVIRONMENT.time_zone,
        )

    content = do_here_or_there(
        folder,
        here,
        lambda server: fetch_from_running_server(server, "/api/fhir/visits", about="visits"),
    )
    write_file(target, content)
    click.echo(f"The visits are in {target}. It names patients by their local number alone.")


@click.command("failsafe-list")
@click.option("--csv", "to_csv", type=click.Path(path_type=Path), help="Also as a CSV file.")
@click.option("--pdf", "to_pdf", type=click.Path(path_type=Path), help="Also as a PDF, to sign.")
@data_option
def failsafe_list(to_csv: Path | None, to_pdf: Path | None, folder: Path) -> None:
    """List patients with implants and no future plan, for a second person to sign.

    Also while the server runs, which then lists them.
    """

    def here(store: UnitStore) -> tuple[FailsafeList, bytes | None]:
        on = today_of(store)
        found = list_failsafe(store, on=on, time_zone=ENVIRONMENT.time_zone)
        note_here(store, "read", "failsafe-list", name_listed(found))
        if to_pdf is None:
            return found, None
        note_here(store, "export", "failsafe-list", name_listed(found))
        return found, print_failsafe(found, read_unit_settings(store, on=on))

    def there(server: RunningServer) -> tuple[FailsafeList, bytes | None]:
        told = read_from_running_server(server, "/api/failsafe-list", about="the failsafe list")
        found = msgspec.convert(told, FailsafeList)
        if to_pdf is None:
            return found, None
        paper = read_from_running_server(server, "/api/failsafe-paper", about="the failsafe list")
        # What is signed by hand has to be what is told here and written as CSV.
        if paper["list_hash"] != found.list_hash:
            raise StorageError("The list changed while it was printed. Ask for it again.")
        return found, base64.b64decode(paper["pdf"])

    found, paper = do_here_or_there(folder, here, there)
    if to_pdf is not None and paper is not None:
        write_file(to_pdf, paper)
    if to_csv is not None:
        write_file(to_csv, found.csv.encode())
    for one in found.patients:
        ended = f" ({', '.join(one.ended_because)})" if one.ended_because else ""
        number = one.number or one.patient or ", ".join(one.cases)
        click.echo(f"{number}  {one.name}  treated {one.treated_on}: {REASONS[one.why]}{ended}")
    signed = "never" if found.last_review is None else f"as of {found.last_review.as_of_on}"
    click.echo(
        f"Treated: {found.treated}. Without a visit to come: {len(found.patients)}. Last signed: "
        f"{signed}."
    )


@click.command("failsafe-sign")
@click.option("--prepared-by", required=True, help="Who made the list: staff/<id>.")
@click.option("--signed-by", required=True, help="The second person: staff/<id>.")
@data_option
def failsafe_sign(prepared_by: str, signed_by: str, folder: Path) -> None:
    """Record that a second person went through today's failsafe list."""
    with open_store(folder) as store:
        found = sign_failsafe(
            store,
            prepared_by=prepared_by,
            signed_by=signed_by,
            on=today_of(store),
            time_zone=ENVIRONMENT.time_zone,
            chance=draw_chance(),
        )
    click.echo(f"Signed: {len(found.patients)} patients, list {found.list_hash[:16]}.")
