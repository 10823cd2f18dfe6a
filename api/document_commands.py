"""The command that prints a paper of a case."""

from pathlib import Path

import rich_click as click

from api.clinic_commands import write_file
from api.command_parts import data_option, note_here, open_store, today_of
from api.documents.paper import PAPER_KINDS
from api.use_cases.make_documents import make_document


@click.command("print-document")
@click.argument("document", type=click.Choice(list(PAPER_KINDS)))
@click.argument("case")
@click.option("--language", default="", help="BCP 47 tag (default: the patient's or the unit's).")
@click.option("--to", "target", type=click.Path(path_type=Path), required=True, help="A PDF file.")
@data_option
def print_document(document: str, case: str, language: str, target: Path, folder: Path) -> None:
    """Write a DOCUMENT about CASE (case/<id>) as a PDF, as the record stands now."""
    with open_store(folder) as store:
        note_here(store, "read", "paper", (case,), document)
        made = make_document(store, document, case, language=language, on=today_of(store))
    write_file(target, made.pdf)
    if made.is_draft:
        click.echo(
            f"Nobody has reviewed the sentences in {made.language}: have somebody read the paper "
            "before you give it.",
            err=True,
        )
    click.echo(f"{document} of {case} is in {target}, written in {made.language}.")
