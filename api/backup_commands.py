"""Commands for backups: write one, put one back, try one out, and make a key for them."""

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import rich_click as click

from api.command_parts import ENVIRONMENT, data_option, do_here_or_there, draw_chance, refusals
from api.storage.backups import write_backup
from api.storage.encrypted_backups import (
    is_encrypted,
    new_identity,
    opened_backup,
    read_recipients,
    write_encrypted_backup,
)
from api.storage.errors import StorageError
from api.storage.running_server import RunningServer, ask_running_server
from api.storage.server_key import OWNER_ALONE
from api.storage.unit_store import UnitStore, open_unit_store
from api.use_cases.restore_unit import name_copied_back, restore_unit
from api.use_cases.verify_log import verify_log

_DRILL = "crura-drill-"
_LONGEST_BACKUP_SECONDS = 600.0
_IDENTITY = click.option(
    "--identity",
    type=click.Path(path_type=Path),
    help="File with the age key of a recipient; needed for an encrypted backup.",
)


@click.command("backup")
@click.argument("target", type=click.Path(path_type=Path))
@click.option("--recipient", "recipients", multiple=True, help="age1...; name at least two.")
@click.option("--plain", is_flag=True, help="In clear: only onto a disk that is itself encrypted.")
@data_option
def backup(target: Path, recipients: tuple[str, ...], folder: Path, *, plain: bool) -> None:
    """Write a sound copy of the store to a new file, also while the server runs.

    Encrypted, it is one file with seal, pictures and the server's key, which the keys of its
    recipients alone open.
    """
    with refusals():
        if plain and recipients:
            raise StorageError("Say --plain or name recipients, not both.")
        readers = () if plain else read_recipients(recipients, folder)
    left_out = do_here_or_there(
        folder,
        lambda store: _back_up_here(store, folder, target, readers),
        lambda server: _back_up_there(server, target, readers),
    )
    for digest in left_out:
        click.echo(f"The picture {digest} was changed here and is left out.", err=True)
    if readers:
        click.echo(f"The backup is {target}, for {len(readers)} recipients.")
        return
    click.echo(
        f"The backup is {target}, its seal {target}.seal, its pictures, if any, lie in "
        f"{target}.pictures. All of it is in clear: keep it where records of patients may be kept."
    )


def _back_up_here(
    store: UnitStore, folder: Path, target: Path, readers: tuple[str, ...]
) -> tuple[str, ...]:
    if readers:
        return write_encrypted_backup(store, folder, target, readers)
    return write_backup(store, target)


def _back_up_there(
    server: RunningServer, target: Path, readers: tuple[str, ...]
) -> tuple[str, ...]:
    content = {"target": str(target.absolute()), "recipients": readers}
    answer = ask_running_server(
        server,
        "/api/backups",
        content,
        about="the backup",
        longest_seconds=_LONGEST_BACKUP_SECONDS,
    )
    return tuple(answer["left_out"])


@click.command("restore")
@click.argument("backup_file", type=click.Path(path_type=Path), required=False)
@click.option(
    "--copied-back",
    is_flag=True,
    help="No backup: the store in the folder is an older copy that was copied there by hand.",
)
@_IDENTITY
@data_option
def restore(
    backup_file: Path | None, identity: Path | None, folder: Path, *, copied_back: bool
) -> None:
    """Put a backup in the place of the store; the former one is kept beside it.

    Afterwards the devices bring back what the older copy lacks.
    """
    if copied_back:
        _name_copied_back(backup_file, folder)
        return
    with refusals():
        if backup_file is None:
            raise StorageError("Name the backup that is to be put back.")
    with refusals(), _in_clear(backup_file, folder, identity) as opened:
        aside = restore_unit(
            opened,
            folder,
            new_generation=ENVIRONMENT.new_id(),
            now_ms=ENVIRONMENT.now_ms(),
            draw_chance=draw_chance,
        )
    click.echo(f"{folder} holds the backup. " + (f"Before: {aside}." if aside else ""))


def _name_copied_back(backup_file: Path | None, folder: Path) -> None:
    with refusals():
        if backup_file is not None:
            raise StorageError("Name a backup or say --copied-back, not both.")
        name_copied_back(
            folder,
            new_generation=ENVIRONMENT.new_id(),
            now_ms=ENVIRONMENT.now_ms(),
            draw_chance=draw_chance,
        )
    click.echo(f"{folder} holds an older copy. Start the server: the devices bring what it lacks.")


@click.command("backup-drill")
@click.argument("backup_file", type=click.Path(path_type=Path))
@_IDENTITY
@click.option(
    "--in",
    "place_for_it",
    type=click.Path(path_type=Path, file_okay=False, exists=True),
    default=Path(),
    help="Where records may lie in clear for that while (left out: here).",
)
def drill(backup_file: Path, identity: Path | None, place_for_it: Path) -> None:
    """Put a backup back into a folder of its own, check all of it, and remove that folder again.

    A backup that was never put back is a hope: do this each month with the newest one.
    """
    for left in place_for_it.glob(f"{_DRILL}*"):
        shutil.rmtree(left, ignore_errors=True)  # of a drill that was killed
    with refusals(), tempfile.TemporaryDirectory(prefix=_DRILL, dir=place_for_it) as place:
        folder = Path(place) / "unit"
        with _in_clear(backup_file, folder, identity) as opened:
            restore_unit(
                opened,
                folder,
                new_generation=ENVIRONMENT.new_id(),
                now_ms=ENVIRONMENT.now_ms(),
            )
        store = open_unit_store(folder, new_generation=ENVIRONMENT.new_id())
        try:
            verification = verify_log(store)
        finally:
            store.close()
        if verification.findings:
            raise StorageError("\n".join(verification.findings))
    click.echo(
        f"{backup_file} was put back and is sound: {verification.operations} operations in "
        f"{verification.logs} logs."
    )


@click.command("backup-key")
@click.argument("identity", type=click.Path(path_type=Path))
def backup_key(identity: Path) -> None:
    """Write a fresh key to a new file and print its recipient.

    Do this on another machine than the server, keep the file there, and give the server the line
    that is printed.
    """
    secret, recipient = new_identity()
    with refusals():
        try:
            descriptor = os.open(identity, os.O_WRONLY | os.O_CREAT | os.O_EXCL, OWNER_ALONE)
            with os.fdopen(descriptor, "w", encoding="ascii") as file:
                file.write(f"# opens backups made for {recipient}\n{secret}\n")
        except OSError as error:
            message = f"{identity} cannot be written ({error.strerror}). Choose a new name."
            raise StorageError(message) from error
    click.echo(recipient)


@contextmanager
def _in_clear(backup_file: Path, folder: Path, identity: Path | None) -> Iterator[Path]:
    if not is_encrypted(backup_file):
        yield backup_file
        return
    if identity is None:
        message = f"{backup_file} is encrypted. Name the key of a recipient by --identity FILE."
        raise StorageError(message)
    with opened_backup(backup_file, folder, identity) as opened:
        yield opened
