"""Commands for devices: invite one, and revoke a lost or stolen one, also while the server runs."""

from pathlib import Path

import rich_click as click

from api.command_parts import DEFAULT_PORT, ENVIRONMENT, data_option, do_here_or_there
from api.storage.device_store import ROLE_STREAMS
from api.storage.running_server import ask_for_invitation, ask_for_revocation
from api.storage.unit_store import UnitStore
from api.use_cases.invite_device import TEN_MINUTES_MS, invite_device
from api.use_cases.revoke_device import revoke_device


@click.group("device")
def device_group() -> None:
    """Devices of the unit."""


@device_group.command("invite")
@click.option("--role", type=click.Choice(list(ROLE_STREAMS)), required=True)
@click.option("--minutes", type=click.IntRange(1, 1440), default=10, show_default=True)
@data_option
def invite(role: str, minutes: int, folder: Path) -> None:
    """Print a code and a link that let one device join."""
    lasts_ms = minutes * (TEN_MINUTES_MS // 10)
    code, address = do_here_or_there(
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
    ends = do_here_or_there(
        folder,
        lambda store: len(revoke_device(store, device, now_ms=ENVIRONMENT.now_ms())),
        lambda server: ask_for_revocation(server, device),
    )
    click.echo(f"{device} is revoked. Entries received so far stay (logs of it: {ends}).")
