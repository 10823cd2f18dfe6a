"""Commands for bundles: carry operations between places without a network."""

from pathlib import Path

import rich_click as click

from api.command_parts import ENVIRONMENT, data_option, note_here, open_store, refusals
from api.storage.bundle import read_bundle
from api.use_cases.export_bundle import export_bundle
from api.use_cases.import_bundle import Imported, import_bundle


@click.group("bundle")
def bundle_group() -> None:
    """Files that carry operations to a place that no network reaches."""


@bundle_group.command("export")
@click.argument("target", type=click.Path(path_type=Path))
@click.option("--stream", "streams", multiple=True, help="One stream alone; may be given again.")
@data_option
def export(target: Path, streams: tuple[str, ...], folder: Path) -> None:
    """Write what the unit holds to a new file."""
    with open_store(folder) as store:
        note_here(store, "export", "bundle", why=" ".join(streams))
        written = export_bundle(store, target, streams=streams, now_ms=ENVIRONMENT.now_ms())
    for sentence in written.remarks:
        click.echo(sentence, err=True)
    count = written.operations
    click.echo(f"{count} operations are in {target}. Keep it where records of patients may be.")


@bundle_group.command("import")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--of-unit", is_flag=True, help="A unit of ours saved it: take in its rule files.")
@data_option
def take_in(file: Path, of_unit: bool, folder: Path) -> None:
    """Take in a file that a tablet or another unit saved. Twice changes nothing."""
    with refusals():
        bundle = read_bundle(file)
    with open_store(folder) as store:
        imported = import_bundle(store, bundle, now_ms=ENVIRONMENT.now_ms(), is_of_unit=of_unit)
    for sentence in _remarks(imported):
        click.echo(sentence, err=True)
    click.echo(f"New: {imported.new}. Known already: {imported.known}.")


def _remarks(imported: Imported) -> list[str]:
    sentences = [one.sentence for one in imported.set_aside]
    if imported.waiting:
        sentences.append(
            f"Waiting here for earlier ones of their logs: {imported.waiting}. Nothing is lost; "
            "they are taken in once those have arrived."
        )
    if imported.left_of_unit:
        sentences.append(
            f"Left in the file, as a unit server wrote them: {imported.left_of_unit}. Add "
            "--of-unit if a unit of yours saved the file and nobody else had it in hand."
        )
    return sentences
