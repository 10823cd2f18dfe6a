"""The command that makes a pseudonymised export at the hub, decided by two people."""

from pathlib import Path

import rich_click as click

from api.command_parts import ENVIRONMENT, data_option, note_here, open_store, refuse, today_of
from api.use_cases.network_exports import ask_for_export, decide_export
from api.use_cases.server_role import is_hub

_KEY_BYTES = 32


@click.command("export")
@click.option("--purpose", required=True, help="What the data is for; it stands in the manifest.")
@click.option("--project", required=True, help="Pseudonyms and dates are those of the project.")
@click.option("--by", required=True, help="Who asks for it: staff/<id>, a data manager.")
@click.option("--approver", required=True, help="Who approves it: staff/<id>, somebody else.")
@click.option(
    "--from", "from_on", default="", help="First day of a quarter of treatment (default: all)."
)
@click.option(
    "--until", "until_on", default="", help="Last day of a quarter of treatment (default: all)."
)
@click.option(
    "--out",
    "out_folder",
    required=True,
    type=click.Path(path_type=Path, file_okay=False),
    help="New or empty folder for the files.",
)
@data_option
def export_command(
    purpose: str,
    project: str,
    by: str,
    approver: str,
    from_on: str,
    until_on: str,
    out_folder: Path,
    folder: Path,
) -> None:
    """Write pseudonymised tables of the registry as CSV, JSON and Parquet, with a manifest."""
    if out_folder.exists() and any(out_folder.iterdir()):
        refuse(f"{out_folder} is not empty. Name a new folder.")
    with open_store(folder) as store:
        if not is_hub(store):
            refuse(f"{folder} is the folder of a unit. Exports of a network are made at its hub.")
        # At a shell nothing shows that they are two, nor who they are.
        why = f"{project}: {purpose} (by command, asked as {by}, approved as {approver})"
        note_here(store, "export", "network-exports", why=why)
        now_ms = ENVIRONMENT.now_ms()
        export = ask_for_export(
            store,
            project=project,
            purpose=purpose,
            from_on=from_on,
            until_on=until_on,
            by=by,
            new_id=ENVIRONMENT.new_id(),
            now_ms=now_ms,
        )
        made = decide_export(
            store,
            export,
            decision="approve",
            because="",
            by=approver,
            draw_key=lambda: ENVIRONMENT.draw_bytes(_KEY_BYTES),
            now_ms=now_ms,
            today=today_of(store),
        )
    if made is None or made.faults:
        refuse(f"The export stays here: {made.faults[0] if made else 'it was refused.'}")
    try:
        out_folder.mkdir(parents=True, exist_ok=True)
        for name, content in made.files.items():
            (out_folder / name).write_bytes(content)
    except OSError as error:
        refuse(f"{out_folder} cannot be written ({error.strerror}). Name another folder.")
    rows = sum(made.manifest.rows.values())
    click.echo(f"{rows} rows in {len(made.files)} files: {out_folder}")
    click.echo(f"{made.manifest.wording}\n{made.manifest.caution}")
