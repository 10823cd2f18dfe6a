"""The command that prints a paper of a case."""

import base64
from pathlib import Path

import rich_click as click

from api.clinic_commands import write_file
from api.command_parts import data_option, do_here_or_there, note_here, read_case, today_of
from api.documents.paper import PAPER_KINDS
from api.storage.running_server import RunningServer, read_from_running_server
from api.storage.unit_store import UnitStore
from api.use_cases.make_documents import MadeDocument, make_document


@click.command("print-document")
@click.argument("document", type=click.Choice(list(PAPER_KINDS)))
@click.argument("case")
@click.option("--language", default="", help="BCP 47 tag (default: the patient's or the unit's).")
@click.option("--to", "target", type=click.Path(path_type=Path), required=True, help="A PDF file.")
@data_option
def print_document(document: str, case: str, language: str, target: Path, folder: Path) -> None:
    """Write a DOCUMENT about CASE (case/<id>) as a PDF, as the record stands now.

    Also while the server runs, which then makes it.
    """
    record = read_case(case)

    def here(store: UnitStore) -> MadeDocument:
        note_here(store, "read", "paper", (record,), document)
        return make_document(store, document, record, language=language, on=today_of(store))

    def there(server: RunningServer) -> MadeDocument:
        asked = {"document": document, "case": record, "language": language}
        told = read_from_running_server(server, "/api/papers", asked, about="papers")
        return MadeDocument(base64.b64decode(told["pdf"]), told["language"], told["is_draft"])

    made = do_here_or_there(folder, here, there)
    write_file(target, made.pdf)
    if made.is_draft:
        click.echo(
            f"Nobody has reviewed the sentences in {made.language}: have somebody read the paper "
            "before you give it.",
            err=True,
        )
    click.echo(f"{document} of {case} is in {target}, written in {made.language}.")
