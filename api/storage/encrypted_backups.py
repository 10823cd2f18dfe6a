"""Backups that only their recipients can read: one file in the age format (SEC-25)."""

import os
import shutil
import stat
import tarfile
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

import pyrage

from api.storage.backups import pictures_of, write_backup
from api.storage.erasure_list import FILE_NAME as ERASURES_NAME
from api.storage.erasure_list import add_to_erasure_list, read_erasure_list
from api.storage.errors import StorageError
from api.storage.picture_files import FOLDER_NAME
from api.storage.seal import SUFFIX
from api.storage.server_key import FILE_NAME as KEY_NAME
from api.storage.server_key import OWNER_ALONE, former_keys_in, is_former_key
from api.storage.site_key import FILE_NAME as SITE_KEY_NAME
from api.storage.site_key import NETWORK_KEY_NAME
from api.storage.unit_store import UnitStore

RECIPIENTS_NAME = "crura.backup-recipients.txt"
FEWEST_RECIPIENTS = 2
# They travel in no backup that is not encrypted.
_KEYS = (KEY_NAME, SITE_KEY_NAME, NETWORK_KEY_NAME)
_PACKING = "crura.backup-workshop"
_UNPACKING = "crura.restore-workshop"
_STORE = "backup"
_FIRST_LINE = b"age-encryption.org/v1\n"
_OWNER_ALONE_FOLDER = 0o700
# The server writes one every so often and a command may ask for another: both in this process.
_ONE_AT_A_TIME = threading.Lock()


def read_recipients(named: Sequence[str], folder: Path) -> tuple[str, ...]:
    """Return the recipients named, else those of a file in the data folder, one a line.

    Raises
    ------
    StorageError
        Fewer than two different ones, since a backup whose only key is lost is no backup; or one
        of them is no age recipient.
    """
    listed = list(named)
    path = folder / RECIPIENTS_NAME
    if not listed and path.is_file():
        lines = (line.strip() for line in path.read_text(encoding="utf-8").splitlines())
        listed = [line for line in lines if line and not line.startswith("#")]
    found = tuple(dict.fromkeys(listed))
    if len(found) < FEWEST_RECIPIENTS:
        message = (
            f"A backup needs at least {FEWEST_RECIPIENTS} recipients (age1...), whose keys lie "
            f"elsewhere: name them by --recipient or in {path}, or say --plain to write patient "
            "records in clear."
        )
        raise StorageError(message)
    for recipient in found:
        _read_recipient(recipient)
    return found


def write_encrypted_backup(
    store: UnitStore, folder: Path, target: Path, recipients: Sequence[str]
) -> tuple[str, ...]:
    """Write store, seal, pictures, erasures and the unit's keys into one file for the recipients.

    The copy in clear that SQLite makes lies in the data folder, beside the store it was made of,
    in a folder that its owner alone can read, and is gone on every way out; what a killed try
    left goes with the next.

    Returns
    -------
    tuple of str
        Hashes of the pictures left out, since their bytes were altered here.

    Raises
    ------
    StorageError
        The file exists or cannot be written, or a recipient is none. Nothing is overwritten.
    """
    if target.exists():
        message = f"{target} exists already. Choose a new name for the backup."
        raise StorageError(message)
    readers = [_read_recipient(recipient) for recipient in recipients]
    half = target.with_name(f"{target.name}.part")
    with _ONE_AT_A_TIME, _workshop(folder / _PACKING) as workshop:
        left_out = write_backup(store, workshop / _STORE)
        for name in (*_keys_in(folder), ERASURES_NAME):
            if (folder / name).is_file():
                _copy_for_owner(folder / name, workshop / name)
        try:
            half.unlink(missing_ok=True)
            descriptor = os.open(half, os.O_WRONLY | os.O_CREAT | os.O_EXCL, OWNER_ALONE)
            with os.fdopen(descriptor, "wb") as writer:
                _pipe(
                    lambda sink: _pack(workshop, sink),
                    lambda source: pyrage.encrypt_io(source, writer, readers),
                )
                writer.flush()
                os.fsync(writer.fileno())
            half.rename(target)
        except (OSError, pyrage.EncryptError, tarfile.TarError) as error:
            half.unlink(missing_ok=True)
            message = f"The backup {target} cannot be written ({error}). Choose another place."
            raise StorageError(message) from error
    return left_out


@contextmanager
def opened_backup(backup: Path, folder: Path, identity: Path) -> Iterator[Path]:
    """Yield the store of an encrypted backup, unpacked with its seal and pictures for a while.

    Where the data folder lacks the server's key or those towards the network, that of the backup
    is put there: without the first the second factors and what tablets had sealed could not be
    opened any more, without the site's all that the network was told bore other pseudonyms.

    Raises
    ------
    StorageError
        The identity file holds no key that opens it, or the file is no whole backup. The folder
        is left as it was.
    """
    identities = _read_identities(identity)
    with _workshop(folder / _UNPACKING) as workshop:
        try:
            with backup.open("rb") as reader:
                _pipe(
                    lambda sink: pyrage.decrypt_io(reader, sink, identities),
                    lambda source: _unpack(source, workshop),
                )
        except (pyrage.DecryptError, OSError, tarfile.TarError, EOFError) as error:
            message = (
                f"{backup} cannot be opened with {identity}, or is not whole ({error}). Use the "
                "key of one of its recipients, or another backup."
            )
            raise StorageError(message) from error
        if not (workshop / _STORE).is_file():
            message = f"{backup} holds no store. Choose another backup."
            raise StorageError(message)
        # Erased is erased, also where this folder has never heard of it.
        add_to_erasure_list(folder, read_erasure_list(workshop))
        # Before the store is opened, which would make another one.
        new = [
            name
            for name in _keys_in(workshop)
            if (workshop / name).is_file() and not (folder / name).exists()
        ]
        for name in new:
            _copy_for_owner(workshop / name, folder / name)
        try:
            yield workshop / _STORE
        except BaseException:
            for name in new:
                (folder / name).unlink()
            raise


def is_encrypted(backup: Path) -> bool:
    """Say whether a file is in the age format."""
    if not backup.is_file():
        return False
    with backup.open("rb") as file:
        return file.read(len(_FIRST_LINE)) == _FIRST_LINE


def new_identity() -> tuple[str, str]:
    """Return a fresh identity, which is to be kept elsewhere, and its recipient."""
    identity = pyrage.x25519.Identity.generate()
    return str(identity), str(identity.to_public())


def _read_recipient(text: str) -> pyrage.x25519.Recipient:
    try:
        return pyrage.x25519.Recipient.from_str(text)
    except pyrage.RecipientError as error:
        message = f"{text[:12]!r}... is no age recipient. It begins with age1; copy it whole."
        raise StorageError(message) from error


def _read_identities(path: Path) -> list[pyrage.x25519.Identity]:
    try:
        lines = [line.strip() for line in path.read_text(encoding="utf-8").splitlines()]
        found = [
            pyrage.x25519.Identity.from_str(line)
            for line in lines
            if line and not line.startswith("#")
        ]
    except (OSError, UnicodeDecodeError, pyrage.IdentityError) as error:
        message = f"{path} holds no age key that can be read. Name the file of a recipient's key."
        raise StorageError(message) from error
    if not found:
        message = f"{path} holds no key. Name the file of a recipient's key."
        raise StorageError(message)
    return found


@contextmanager
def _workshop(place: Path) -> Iterator[Path]:
    """Yield an empty folder for the owner alone, and remove it on every way out."""
    shutil.rmtree(place, ignore_errors=True)
    try:
        place.mkdir(parents=True, mode=_OWNER_ALONE_FOLDER)
    except OSError as error:
        message = f"{place.parent} cannot be written ({error.strerror}). Make room there."
        raise StorageError(message) from error
    try:
        yield place
    finally:
        shutil.rmtree(place, ignore_errors=True)


def _keys_in(folder: Path) -> tuple[str, ...]:
    """Return the names that keys of a folder bear, those of replaced ones among them."""
    return (*_KEYS, *(path.name for path in former_keys_in(folder)))


def _copy_for_owner(source: Path, target: Path) -> None:
    descriptor = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, OWNER_ALONE)
    with os.fdopen(descriptor, "wb") as file:
        file.write(source.read_bytes())
        file.flush()
        os.fsync(file.fileno())


def _pack(workshop: Path, sink: BinaryIO) -> None:
    with tarfile.open(fileobj=sink, mode="w|gz") as packed:
        for name in (_STORE, _STORE + SUFFIX):
            packed.add(workshop / name, arcname=name)
        for name in (pictures_of(workshop / _STORE).name, *_keys_in(workshop), ERASURES_NAME):
            if (workshop / name).exists():
                packed.add(workshop / name, arcname=name)


def _unpack(source: BinaryIO, workshop: Path) -> None:
    """Unpack plain files and folders alone, whatever names a forged file may bear."""
    tops = {_STORE, _STORE + SUFFIX, f"{_STORE}.{FOLDER_NAME}", *_KEYS, ERASURES_NAME}
    with tarfile.open(fileobj=source, mode="r|gz") as packed:
        for member in packed:
            top = member.name.split("/")[0]
            if top not in tops and not is_former_key(top):
                raise tarfile.TarError(f"{member.name[:40]!r} does not belong in a backup")
            packed.extract(member, workshop, filter="data")
    while source.read(65_536):
        pass  # What is left must be read, else whoever writes it waits for ever.
    for path in workshop.rglob("*"):
        path.chmod(_OWNER_ALONE_FOLDER if stat.S_ISDIR(path.stat().st_mode) else OWNER_ALONE)


def _pipe(write: Callable[[BinaryIO], None], read: Callable[[BinaryIO], None]) -> None:
    """Let one function write what another reads, with no file in between.

    Whatever either raises is raised; the one that writes speaks first, since an end of file that
    its failure brings about looks whole to the one that reads.
    """
    reading_end, writing_end = os.pipe()
    failures: list[BaseException] = []

    def write_all() -> None:
        try:
            with os.fdopen(writing_end, "wb") as sink:
                write(sink)
        except BrokenPipeError:
            pass  # The reader gave up, and says why.
        except BaseException as error:  # noqa: BLE001 - raised again below, in the caller's thread
            failures.append(error)

    writer = threading.Thread(target=write_all)
    writer.start()
    read_failure: BaseException | None = None
    try:
        with os.fdopen(reading_end, "rb") as source:
            read(source)
    except BaseException as error:  # noqa: BLE001 - the writer's failure goes first
        read_failure = error
    writer.join()
    if failures:
        raise failures[0]
    if read_failure is not None:
        raise read_failure
