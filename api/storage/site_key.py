"""The site's own key for pseudonyms and moved days: a file that its owner alone can read (RG1).

It stands in no answer, log or bundle, and in no backup that is not encrypted; nobody needs it
but this unit. Whoever has it can say of each record at the hub whose it is. If it is lost, a new
one is made: what the unit told the network is struck there and told anew under other pseudonyms,
and patients that were joined with those of other units have to be joined again.
"""

import os
import secrets
from pathlib import Path

from api.storage.errors import StorageError
from api.storage.server_key import OWNER_ALONE

FILE_NAME = "crura.site-key"
# What all units of a network share and the hub never holds (RG9).
NETWORK_KEY_NAME = "crura.network-key"
KEY_BYTES = 32


def load_site_key(folder: Path) -> bytes:
    """Return the key of a data folder, making one where there is none; call it under the lock.

    Raises
    ------
    StorageError
        The file holds no key or cannot be read or written. No half file is left.
    """
    path = folder / FILE_NAME
    if not path.exists():
        # Drawn here and handed in by nobody, as the server's key is.
        write_secret(path, secrets.token_bytes(KEY_BYTES))
    return read_secret(path, fewest=KEY_BYTES)


def read_secret(path: Path, *, fewest: int) -> bytes:
    """Return the bytes that a file holds in hexadecimal digits.

    Raises
    ------
    StorageError
        It cannot be read, is no text of hexadecimal digits, or too short.
    """
    try:
        # A copy of the folder may have lost its rights.
        path.chmod(OWNER_ALONE)
        found = bytes.fromhex(path.read_text(encoding="ascii").strip())
    except OSError as error:
        message = f"The key {path} cannot be used ({error.strerror}). Check its rights."
        raise StorageError(message) from error
    except ValueError as error:
        raise StorageError(_no_key(path)) from error
    if len(found) < fewest:
        raise StorageError(_no_key(path))
    return found


def write_secret(path: Path, secret: bytes) -> None:
    """Write a secret into a file of its owner's: whole, or not at all.

    Raises
    ------
    StorageError
        It cannot be written.
    """
    half = path.with_name(f"{path.name}.part")
    try:
        half.unlink(missing_ok=True)
        descriptor = os.open(half, os.O_WRONLY | os.O_CREAT | os.O_EXCL, OWNER_ALONE)
        with os.fdopen(descriptor, "w", encoding="ascii") as file:
            file.write(f"{secret.hex()}\n")
            file.flush()
            os.fsync(file.fileno())
        half.rename(path)
    except OSError as error:
        half.unlink(missing_ok=True)
        message = f"The key {path} cannot be written ({error.strerror}). Check disk and rights."
        raise StorageError(message) from error


def _no_key(path: Path) -> str:
    return (
        f"{path} holds no key of ours. Put the right file back, or move this one away: all that "
        "was told to the network is then told anew under other pseudonyms."
    )
