"""The command that says how long what is held stays, and what of it is due."""

from pathlib import Path

import msgspec
import rich_click as click

from api.clinic_commands import write_file
from api.command_parts import (
    data_option,
    do_here_or_there,
    note_here,
    open_store,
    refuse,
    today_of,
)
from api.storage.running_server import RunningServer, read_from_running_server
from api.storage.unit_store import UnitStore
from api.use_cases.retention import (
    ClassReport,
    packaged_retention_file,
    read_retention_classes,
    report_retention,
)


@click.command("retention")
@click.option("--start", is_flag=True, help="Write the file in which the unit decides.")
@data_option
def retention(folder: Path, *, start: bool) -> None:
    """Say what of each class is held and what is due by the unit's rule; deletes nothing.

    Also while the server runs, which then says it.
    """
    if start:
        with open_store(folder) as store:
            path = store.folder / "crura.retention.json"
            if path.exists():
                refuse(f"{path} is there already. Edit it.")
            write_file(path, packaged_retention_file())
            click.echo(f"Set keep_years in {path}; null means: ask the unit.")
        return

    def here(store: UnitStore) -> list[ClassReport]:
        note_here(store, "read", "retention")
        classes = read_retention_classes(store.folder)
        return report_retention(store, classes, today=today_of(store))

    def there(server: RunningServer) -> list[ClassReport]:
        told = read_from_running_server(server, "/api/retention", about="what is due")
        return msgspec.convert(told["classes"], list[ClassReport])

    for one in do_here_or_there(folder, here, there):
        click.echo(_say_class(one))


def _say_class(one: ClassReport) -> str:
    rule = "ask the unit" if one.keep_years is None else f"kept {one.keep_years} years"
    oldest = f", the oldest of {one.oldest_on}" if one.oldest_on else ""
    due = "" if one.keep_years is None else f"; due: {one.due_count}"
    names = "".join(f"\n  {name}" for name in one.due)
    return f"{one.id}: {one.held} held{oldest}; {rule}{due}{names}"
