"""Commands for devices: invite, confirm, list, name and revoke them, also while served."""

import io
from pathlib import Path
from typing import Any

import msgspec
import rich_click as click
import segno

from api.command_parts import DEFAULT_PORT, ENVIRONMENT, data_option, do_here_or_there
from api.storage.device_store import ROLE_STREAMS, UNIT_ROLE
from api.storage.running_server import RunningServer, ask_running_server
from api.storage.unit_store import UnitStore
from api.use_cases.confirm_device import confirm_device
from api.use_cases.invite_device import TEN_MINUTES_MS, invite_device
from api.use_cases.list_devices import list_all_devices
from api.use_cases.name_device import rename_device
from api.use_cases.recover_key import refuse_recovery
from api.use_cases.revoke_device import revoke_device


@click.group("device")
def device_group() -> None:
    """Devices of the unit."""


@device_group.command("invite")
@click.option("--role", type=click.Choice(list(ROLE_STREAMS)), required=True)
@click.option("--minutes", type=click.IntRange(1, 1440), default=10, show_default=True)
@click.option(
    "--trusted",
    "is_trusted",
    is_flag=True,
    help="Let the device in without comparing its digits: for a browser of this machine.",
)
@click.option(
    "--address",
    default="",
    help="How the device reaches the server, such as https://hub.example (left out: as it runs).",
)
@click.option(
    "--name",
    default="",
    help="By which people will know it, such as 'Tablet room 2' (left out: the next number).",
)
@data_option
def invite(
    role: str, minutes: int, is_trusted: bool, address: str, name: str, folder: Path
) -> None:
    """Print a code, a link and a QR code of it that let one device join."""
    lasts_ms = minutes * (TEN_MINUTES_MS // 10)
    asked = {"role": role, "lasts_ms": lasts_ms, "is_trusted": is_trusted, "name": name[:200]}
    code, named, running_at = do_here_or_there(
        folder,
        lambda store: (
            *_invite_here(store, role, lasts_ms, is_trusted, name),
            f"http://127.0.0.1:{DEFAULT_PORT}",
        ),
        lambda server: _invite_there(server, asked),
    )
    link = f"{address.rstrip('/') or running_at}/#join={code}"
    called = f", named {named}" if named else ""
    click.echo(
        f"{code}\n{link}\n{_draw(link)}For one {role} device{called}, for {minutes} minutes."
    )
    if role == UNIT_ROLE:
        click.echo(f"At the unit: crura hub join '{link}'")
    if not is_trusted:
        click.echo(
            "It then shows six digits and waits: compare them, and let it in with\n"
            "crura device confirm DEVICE DIGITS"
        )


def _invite_here(
    store: UnitStore, role: str, lasts_ms: int, is_trusted: bool, name: str
) -> tuple[str, str]:
    code = ENVIRONMENT.new_code()
    named = invite_device(
        store,
        role,
        code=code,
        now_ms=ENVIRONMENT.now_ms(),
        lasts_ms=lasts_ms,
        is_trusted=is_trusted,
        name=name,
    )
    return code, named


def _invite_there(server: RunningServer, asked: dict[str, Any]) -> tuple[str, str, str]:
    told = _ask(server, "/api/invitations", asked)
    # A server of an earlier release gives no name.
    return str(told["code"]), str(told.get("name", "")), server.address


def _draw(link: str) -> str:
    """Return a link as a QR code of letters, two rows of it in each line."""
    drawn = io.StringIO()
    segno.make_qr(link, error="m").terminal(out=drawn, compact=True)
    return drawn.getvalue()


@device_group.command("list")
@data_option
def list_them(folder: Path) -> None:
    """Print the devices that joined: id, role, digits of the key, whether they wait, and the name.

    Of a tablet that is in, also which version of the exchange it last told that it speaks.
    One that "asks for its data key" has lost it: whoever holds that tablet could read all that is
    on it once it was confirmed.
    """
    listed = do_here_or_there(
        folder,
        lambda store: msgspec.to_builtins(list_all_devices(store, now_ms=ENVIRONMENT.now_ms())),
        lambda server: ask_running_server(server, "/api/unit-devices", about="devices"),
    )
    for one in listed["devices"]:
        click.echo(_line(one))
    if not listed["devices"]:
        click.echo("No device has joined. Invite one: crura device invite --role bedside")


_STANDINGS = {
    "asked": "waits to be confirmed and asks for its data key",
    "open": "is in and may fetch its data key",
    "over": "is in and did not fetch its data key in time",
    "refused": "was refused its data key",
}


def _line(one: dict[str, Any]) -> str:
    key = one["fingerprint"]
    digits = f"{key[:3]} {key[3:]}" if key else "no key"
    plainly = "waits to be confirmed" if one["is_waiting"] else f"is in{_protocol_words(one)}"
    standing = _STANDINGS.get(one.get("recovery", "none"), plainly)
    return f"{one['id']}  {one['role']}  {digits}  {standing}  {one['name']}"


def _protocol_words(one: dict[str, Any]) -> str:
    """Return what a tablet last told of its protocol; a unit tells its hub by its report."""
    if one["role"] == UNIT_ROLE:
        return ""
    # A server of an earlier release tells none.
    told = one.get("told") or {}
    protocol = told.get("protocol")
    if protocol is None:
        return ", exchange version not told"
    other = ", another than the unit's" if told.get("is_other_protocol") else ""
    return f", exchange version {protocol}{other}"


@device_group.command("confirm")
@click.argument("device")
@click.argument("digits", nargs=-1, required=True)
@data_option
def confirm(device: str, digits: tuple[str, ...], folder: Path) -> None:
    """Let a device in that joined and waits.

    DIGITS are the six that its own screen shows; take them from there, not from this machine.
    """
    fingerprint = "".join(digits)
    do_here_or_there(
        folder,
        lambda store: confirm_device(
            store, device, fingerprint, by="", now_ms=ENVIRONMENT.now_ms()
        ),
        lambda server: _confirm_there(server, device, fingerprint),
    )
    click.echo(f"{device} is in. It goes on by itself.")


@device_group.command("refuse-key")
@click.argument("device")
@data_option
def refuse_key(device: str, folder: Path) -> None:
    """Refuse a device that waits for its data key: its records stay closed, nothing is lost.

    It may ask again by a fresh invitation. One that somebody took: `crura device lost`.
    """
    do_here_or_there(
        folder,
        lambda store: refuse_recovery(store, device, now_ms=ENVIRONMENT.now_ms()),
        lambda server: _ask(server, "/api/recovery-refusals", {"device": device[:64]}),
    )
    click.echo(f"{device} is not given its key. It may ask again by a fresh invitation.")


@device_group.command("rename")
@click.argument("device")
@click.argument("name")
@data_option
def rename(device: str, name: str, folder: Path) -> None:
    """Give a device another NAME, which no other device of the unit has."""
    asked = {"device": device[:64], "name": name[:200]}
    named = do_here_or_there(
        folder,
        lambda store: rename_device(store, device, name, now_ms=ENVIRONMENT.now_ms()),
        lambda server: str(_ask(server, "/api/device-names", asked)["name"]),
    )
    click.echo(f"{device} is named {named}. Its own screen says so after its next exchange.")


def _ask(server: RunningServer, path: str, asked: dict[str, Any]) -> dict[str, Any]:
    return ask_running_server(server, path, asked, about="devices")


def _confirm_there(server: RunningServer, device: str, fingerprint: str) -> None:
    asked = {"device": device, "fingerprint": fingerprint[:16]}
    _ask(server, "/api/confirmations", asked)


@device_group.command("revoke")
@click.argument("device")
@data_option
def revoke(device: str, folder: Path) -> None:
    """Refuse a device that is not to be used any more; what it sends from now on is kept aside.

    DEVICE is its id, as `crura device list` and the tablet's About page show it.
    """
    ends = _revoke(device, folder, is_lost=False)
    click.echo(f"{device} is revoked. Entries received so far stay (logs of it: {ends}).")


@device_group.command("lost")
@click.argument("device")
@data_option
def lost(device: str, folder: Path) -> None:
    """Refuse a lost or stolen device, and let it clear itself when it is next heard of.

    What it still sends before that is kept aside for the data manager.
    """
    ends = _revoke(device, folder, is_lost=True)
    click.echo(
        f"{device} is revoked and clears itself when it next reaches this unit. Entries received "
        f"so far stay (logs of it: {ends})."
    )


def _revoke(device: str, folder: Path, *, is_lost: bool) -> int:
    asked = {"device": device, "is_lost": is_lost}
    return do_here_or_there(
        folder,
        lambda store: len(
            revoke_device(store, device, now_ms=ENVIRONMENT.now_ms(), is_lost=is_lost)
        ),
        lambda server: len(
            ask_running_server(server, "/api/revocations", asked, about="devices")["ends"]
        ),
    )
