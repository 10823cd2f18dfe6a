"""Commands of a unit for the hub of its network: join it, see how the line stands, send, leave."""

import datetime
from importlib import metadata
from pathlib import Path

import msgspec
import rich_click as click

from api.command_parts import data_option, do_here_or_there, draw_chance, today_of
from api.network_export_command import export_command
from api.storage.running_server import RunningServer, ask_running_server
from api.storage.unit_store import UnitStore
from api.use_cases.hub_line import LineStanding, join_hub, leave_hub, tell_line
from api.use_cases.publish_to_hub import exchange_with_hub

_ABOUT = "the hub"
# The first publishing of a unit with many cases takes a while.
_LONGEST_SECONDS = 600.0


@click.group("hub")
def hub_group() -> None:
    """Join the hub of the network, send to it, and see how the line stands."""


hub_group.add_command(export_command)


@hub_group.command("join")
@click.argument("link")
@data_option
def join(link: str, folder: Path) -> None:
    """Join the hub of a link, which `crura device invite --role unit` has printed at the hub."""
    line = do_here_or_there(
        folder,
        lambda store: join_hub(store, link, draw_chance=draw_chance),
        lambda server: _ask(server, "joinings", {"link": link}),
    )
    click.echo(f"Joined {line.hub_name} at {line.hub} as {line.unit}.")
    if line.standing == "waiting":
        click.echo(
            f"Its digits are {_digits(line)}. Read them out to whoever looks after the hub, who "
            f"lets it in with\ncrura device confirm {line.unit} DIGITS"
        )


@hub_group.command("status")
@data_option
def status(folder: Path) -> None:
    """Print how the line to the hub stands, and what the hub has refused."""
    line = do_here_or_there(folder, tell_line, lambda server: _ask(server, "line"))
    if line.standing == "none":
        click.echo("This unit has joined no hub. Join one: crura hub join LINK")
        return
    click.echo(f"{line.hub_name} at {line.hub}, joined as {line.unit}, digits {_digits(line)}")
    click.echo(
        "The hub waits for a person there to compare the digits."
        if line.standing == "waiting"
        else f"Last contact: {_time(line.last_contact_ms)}. Not sent yet: {line.unsent}."
    )
    if line.sentence:
        click.echo(line.sentence)
    if line.refused:
        click.echo(f"Set aside at the hub: {line.refused}.")
        for sentence in line.set_aside:
            click.echo(f"  {sentence}")


@hub_group.command("publish")
@data_option
def publish(folder: Path) -> None:
    """Publish what changed and exchange with the hub now; the server does so by itself."""
    line = do_here_or_there(folder, _publish_here, lambda server: _ask(server, "rounds", {}))
    click.echo(line.sentence or f"Done. Not sent yet: {line.unsent}.")
    if line.refused:
        click.echo(f"Set aside at the hub: {line.refused}. See crura hub status.")


@hub_group.command("leave")
@data_option
def leave(folder: Path) -> None:
    """Send nothing to the hub any more; what it holds stays there until two people erase it there.

    At the hub: revoke the unit, then `crura erase --unit UNIT`.
    """
    do_here_or_there(folder, leave_hub, lambda server: _ask(server, "leavings", {}))
    click.echo(
        "Left. What the hub holds of this unit stays there: ask whoever looks after it to revoke "
        "this unit, and to erase what it told (crura erase --unit)."
    )


def _publish_here(store: UnitStore) -> LineStanding:
    return exchange_with_hub(
        store,
        build=metadata.version("crura"),
        today=today_of(store),
        draw_chance=draw_chance,
    )


def _ask(server: RunningServer, what: str, content: dict[str, str] | None = None) -> LineStanding:
    answer = ask_running_server(
        server,
        f"/api/network/{what}",
        content,
        about=_ABOUT,
        longest_seconds=_LONGEST_SECONDS,
    )
    return msgspec.convert(answer, LineStanding)


def _digits(line: LineStanding) -> str:
    return f"{line.digits[:3]} {line.digits[3:]}"


def _time(at_ms: int | None) -> str:
    if at_ms is None:
        return "none yet"
    at = datetime.datetime.fromtimestamp(at_ms // 1_000, datetime.UTC)
    return at.strftime("%Y-%m-%d %H:%M UTC")
