"""Commands for devices: invite one, and revoke a lost or stolen one, also while the server runs."""

from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import TypeVar

import rich_click as click

from api.command_parts import DEFAULT_PORT, ENVIRONMENT, data_option, refusals
from api.storage.device_store import ROLE_STREAMS
from api.storage.errors import FolderInUseError
from api.storage.running_server import (
    RunningServer,
    ask_for_invitation,
    ask_for_revocation,
    find_running_server,
)
from api.storage.unit_store import UnitStore, open_unit_store
from api.use_cases.invite_device import TEN_MINUTES_MS, invite_device
from api.use_cases.revoke_device import revoke_device

T = TypeVar("T")


@click.group("device")
def device_group() -> None:
    """Devices of the unit."""


def _do_here_or_there(
    folder: Path, here: Callable[[UnitStore], T], there: Callable[[RunningServer], T]
) -> T:
    """Do something in the store of a folder, or let the server do it that has it open."""
    with refusals():
        try:
            store = open_unit_store(folder, new_generation=ENVIRONMENT.new_id())
        except FolderInUseError:
            server = find_running_server(folder)
            if server is None:
                raise
            return there(server)
        with closing(store):
            return here(store)


@device_group.command("invite")
@click.option("--role", type=click.Choice(list(ROLE_STREAMS)), required=True)
@click.option("--minutes", type=click.IntRange(1, 1440), default=10, show_default=True)
@data_option
def invite(role: str, minutes: int, folder: Path) -> None:
    """Print a code and a link that let one device join."""
    lasts_ms = minutes * (TEN_MINUTES_MS // 10)
    code, address = _do_here_or_there(
        folder,
        lambda store: (_invite_here(store, role, lasts_ms), f"http://127.0.0.1:{DEFAULT_PORT}"),
        lambda server: (ask_for_invitation(server, role, lasts_ms), server.address),
    )
    click.echo(f"{code}\n{address}/#join={code}\nFor one {role} device, for {minutes} minutes.")


def _invite_here(store: UnitStore, role: str, lasts_ms: int) -> str:
    code = ENVIRONMENT.new_code()
    invite_device(store, role, code=code, now_ms=ENVIRONMENT.now_ms(), lasts_ms=lasts_ms)
    return code


@device_group.command("revoke")
@click.argument("device")
@data_option
def revoke(device: str, folder: Path) -> None:
    """Refuse a lost or stolen device; what it sends from now on is kept aside.

    DEVICE is its id, as the tablet's About page shows it.
    """
    ends = _do_here_or_there(
        folder,
        lambda store: len(revoke_device(store, device, now_ms=ENVIRONMENT.now_ms())),
        lambda server: ask_for_revocation(server, device),
    )
    click.echo(f"{device} is revoked. Entries received so far stay (logs of it: {ends}).")
