"""Commands by which a unit lets its patients be found again at other units, or forbids it."""

import os
import secrets
from pathlib import Path

import rich_click as click

from api.command_parts import data_option, open_store, refuse
from api.storage.server_key import OWNER_ALONE
from api.storage.site_key import KEY_BYTES
from api.storage.unit_store import UnitStore
from api.use_cases.linkage_setting import (
    allow_linkage,
    forbid_linkage,
    say_national_numbers,
)

_FILE = click.Path(path_type=Path, dir_okay=False)
_NONE = "NONE"


@click.command("linkage")
@click.option("--key-file", type=_FILE, help="The network's key, as another unit has it.")
@click.option(
    "--national-numbers-of",
    "country",
    metavar="COUNTRY",
    help="Your patient numbers are the national numbers of this country, such as GB; NONE takes "
    "it back.",
)
@click.option("--off", is_flag=True, help="Forbid it; what was told is taken back at the hub.")
@data_option
def linkage(key_file: Path | None, country: str | None, off: bool, folder: Path) -> None:
    """Let patients be found again at other units of the network, without names.

    The server is stopped for this. The key goes from unit to unit by hand, never through the hub.
    A patient number of the unit counts as a national number only where --national-numbers-of says
    so: numbers that a hospital drew itself would join strangers.
    """
    if off == (key_file is not None or country is not None):
        refuse(
            "Give --key-file FILE to allow linkage, --national-numbers-of COUNTRY, or --off to "
            "forbid it."
        )
    with open_store(folder) as store:
        if off:
            forbid_linkage(store)
            click.echo("Linkage is forbidden; the next round takes back what was told.")
            return
        if key_file is not None:
            _allow(store, key_file)
        if country is not None:
            _say_numbers(store, country.strip().upper())


def _allow(store: UnitStore, key_file: Path) -> None:
    try:
        key = key_file.read_text(encoding="ascii")
    except (OSError, UnicodeDecodeError) as error:
        refuse(f"{key_file} cannot be read ({error}). Name the file with the network's key.")
    allow_linkage(store, key)
    click.echo("Linkage is allowed: traits go to the hub, encoded under the network's key.")


def _say_numbers(store: UnitStore, country: str) -> None:
    if not country:
        refuse("Name a country, such as GB, or NONE.")
    said = "" if country == _NONE else country
    say_national_numbers(store, said)
    click.echo(
        f"Patient numbers that are valid national numbers of {said} are compared as such."
        if said
        else "No patient number counts as a national number; what was told is taken back."
    )


@click.command("linkage-key")
@click.argument("file", type=_FILE)
def make_linkage_key(file: Path) -> None:
    """Draw a key for a new network and write it into FILE, for its units alone."""
    try:
        descriptor = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, OWNER_ALONE)
    except OSError as error:
        refuse(f"{file} cannot be written ({error.strerror}). Name a file that is not there yet.")
    with os.fdopen(descriptor, "w", encoding="ascii") as opened:
        opened.write(secrets.token_hex(KEY_BYTES) + "\n")
    click.echo(f"Bring {file} to each unit by hand: crura hub linkage --key-file {file}")
