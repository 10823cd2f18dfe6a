"""The command that checks the promise of follow-up."""

import json
import sys
from pathlib import Path

import msgspec
import rich_click as click

from api.command_parts import address_of, data_option, do_here_or_there, note_here, today_of
from api.storage.running_server import RunningServer, read_from_running_server
from api.storage.unit_store import UnitStore
from api.use_cases.check_follow_up import FollowUpCheck, check_follow_up
from api.use_cases.name_handed_out import name_checked

_HEAD = ("Number", "Name", "Where", "What to do")


@click.command("check-follow-up")
@click.option("--on", help="Civil date to check for (default: today).")
@click.option("--format", "form", type=click.Choice(["table", "json"]), default="table")
@data_option
def check_follow_up_command(on: str | None, form: str, folder: Path) -> None:
    """Name every treated patient without a next act, and closed cases without a plan.

    Ends with exit code 1 where anybody is named. Also while the server runs, which then checks.
    """

    def here(store: UnitStore) -> FollowUpCheck:
        found = check_follow_up(store, on=today_of(store) if on is None else on)
        note_here(store, "read", "follow-up-check", name_checked(found))
        return found

    def there(server: RunningServer) -> FollowUpCheck:
        address = address_of("/api/follow-up-check", now="true", on=on)
        told = read_from_running_server(server, address, about="the follow-up check")
        return msgspec.convert(told, FollowUpCheck)

    found = do_here_or_there(folder, here, there)
    if form == "json":
        click.echo(json.dumps(msgspec.to_builtins(found), ensure_ascii=False, indent=1))
    else:
        _tell(found)
    if found.gaps:
        sys.exit(1)


def _tell(found: FollowUpCheck) -> None:
    rows = [
        (
            gap.number or gap.patient or "no patient",
            gap.name,
            " ".join(part for part in (gap.label, gap.visit or gap.case) if part),
            gap.what_to_do,
        )
        for gap in found.gaps
    ]
    if rows:
        widths = [max(len(row[place]) for row in (_HEAD, *rows)) for place in range(len(_HEAD))]
        for row in (_HEAD, *rows):
            cells = (part.ljust(width) for part, width in zip(row, widths, strict=True))
            click.echo("  ".join(cells).rstrip())
    click.echo(
        f"On {found.as_of_on}: treated or closed {found.checked}, with a next act "
        f"{found.with_next_act}, ended {found.ended}, not due yet {found.not_due}, "
        f"gaps {len(found.gaps)}."
    )
