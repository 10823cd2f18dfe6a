"""Commands for whole cases: out as FHIR or as tables, and past ones in from a file."""

import sys
from pathlib import Path

import rich_click as click

from api.clinic_commands import write_file
from api.command_parts import (
    ENVIRONMENT,
    data_option,
    do_here_or_there,
    draw_chance,
    note_here,
    open_store,
    read_case,
    refusals,
    refuse,
    today_of,
)
from api.documents.past_case_columns import list_columns
from api.documents.past_case_file import MOST_BYTES, write_template
from api.storage.running_server import RunningServer, fetch_from_running_server
from api.storage.unit_store import UnitStore, read_packaged_catalogue
from api.use_cases.export_case_bundle import export_case_bundle
from api.use_cases.export_cases import export_cases_as_json, write_cases_as_csv
from api.use_cases.import_cases import (
    ImportReport,
    look_at_past_cases,
    take_past_cases,
    undo_import,
)
from api.use_cases.name_handed_out import name_exported

_FILE = click.Path(path_type=Path)


def add_case_commands(main: click.Group) -> None:
    """Add the commands of this file to `crura`."""
    main.add_command(export_fhir)
    main.add_command(export_cases)
    main.add_command(import_cases)


@click.command("export-fhir")
@click.argument("case")
@click.option("--out", type=_FILE, help="Write it there (default: standard output).")
@data_option
def export_fhir(case: str, out: Path | None, folder: Path) -> None:
    """Write CASE (case/<id>) as FHIR R4B bundle. It names the patient.

    Also while the server runs, which then makes it.
    """
    record = read_case(case)

    def here(store: UnitStore) -> bytes:
        note_here(store, "export", "case", (record,))
        return export_case_bundle(
            store,
            record,
            on=today_of(store),
            now_ms=ENVIRONMENT.now_ms(),
            time_zone=ENVIRONMENT.time_zone,
        )

    def there(server: RunningServer) -> bytes:
        return fetch_from_running_server(server, f"/api/fhir/{record}", about="cases")

    content = do_here_or_there(folder, here, there)
    if out is None:
        click.echo(content)
    else:
        write_file(out, content)


@click.command("export-cases")
@click.option("--csv", "csv_folder", type=_FILE, help="Write one CSV file a table there.")
@click.option("--json", "json_file", type=_FILE, help="Write everything into one JSON file.")
@data_option
def export_cases(csv_folder: Path | None, json_file: Path | None, folder: Path) -> None:
    """Write every case as tables, with a data dictionary. They name patients.

    Also while the server runs, which then gathers them.
    """
    if (csv_folder is None) == (json_file is None):
        refuse("Say where to: --csv FOLDER or --json FILE.")

    def here(store: UnitStore) -> bytes:
        note_here(store, "export", "cases", name_exported(store))
        return export_cases_as_json(store)

    content = do_here_or_there(
        folder,
        here,
        lambda server: fetch_from_running_server(server, "/api/cases/export", about="cases"),
    )
    if json_file is not None:
        write_file(json_file, content)
    if csv_folder is not None:
        try:
            csv_folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            refuse(f"{csv_folder} cannot be made ({error.strerror}). Name another folder.")
        with refusals():
            tables = write_cases_as_csv(read_packaged_catalogue(), content)
        for name, text in tables.items():
            write_file(csv_folder / name, text.encode())


@click.command("import-cases")
@click.argument("file", type=_FILE, required=False)
@click.option("--template", is_flag=True, help="Print the headers with an invented case.")
@click.option("--take", is_flag=True, help="Take the rows in (without it they are looked at).")
@click.option("--undo", metavar="ID", help="Strike what an import wrote: past_import/<id>.")
@click.option("--by", default="", help="Who does it: staff/<id>.")
@click.option("--because", default="", help="Why; kept in the record.")
@data_option
def import_cases(
    file: Path | None,
    template: bool,
    take: bool,
    undo: str | None,
    by: str,
    because: str,
    folder: Path,
) -> None:
    """Look at a CSV FILE of past cases, row by row; take it in with --take."""
    if template:
        click.echo(write_template(list_columns(read_packaged_catalogue())), nl=False)
        return
    if undo is not None:
        with open_store(folder) as store:
            undone = undo_import(store, undo, by=by, because=because, draw_chance=draw_chance)
        for record in undone.kept:
            click.echo(f"{record}: people wrote this since; its patient is kept.", err=True)
        click.echo(f"Records struck: {undone.struck}. Kept for people: {len(undone.kept)}.")
        return
    if file is None:
        refuse("Name a CSV file, or ask for the template: crura import-cases --template.")
    content = _read_file(file)
    with open_store(folder) as store:
        on = today_of(store)
        if take:
            report = take_past_cases(
                store,
                file.name,
                content,
                by=by,
                because=because,
                on=on,
                draw_chance=draw_chance,
            )
        else:
            report = look_at_past_cases(store, content, on=on)
    _tell(report)


def _read_file(file: Path) -> bytes:
    try:
        with file.open("rb") as opened:
            # One byte more than may be read tells that there is more.
            return opened.read(MOST_BYTES + 1)
    except OSError as error:
        refuse(f"{file} cannot be read ({error.strerror}). Name a CSV file.")


def _tell(report: ImportReport) -> None:
    for fault in report.faults:
        where = f", {fault.column}" if fault.column else ""
        click.echo(f"Line {fault.line}{where}: {fault.sentence}", err=True)
    for one in report.similar:
        click.echo(
            f"Line {one.line} may be the same person as {one.patient} ({one.because}).", err=True
        )
    for lines in report.one_person:
        click.echo(f"Lines {', '.join(map(str, lines))} are one patient.", err=True)
    for line in report.without_next:
        click.echo(f"Line {line}: no next visit; the follow-up check will list it.", err=True)
    if report.lot_unknown:
        unknown = ", ".join(map(str, report.lot_unknown))
        click.echo(f"Lines in which a lot is taken as unknown: {unknown}.", err=True)
    said = f"Rows: {report.rows}. Rows that can be taken: {report.can_be_taken}."
    if report.record:
        click.echo(f"{said} Taken as {report.record}.")
    else:
        click.echo(f"{said} Nothing was written; take them with --take --by --because.")
    if report.faults:
        sys.exit(2)
