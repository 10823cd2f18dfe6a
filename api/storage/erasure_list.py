"""The list of erasures beside the store: what has to be erased again after an older backup.

It holds ids and reasons and no content, and is written before the store is changed.
"""

import os
from pathlib import Path

import msgspec

from api.storage.errors import StorageError
from api.storage.server_key import OWNER_ALONE

FILE_NAME = "crura.erasures.json"


class ListedErasure(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One erasure: its record, the records it names, the pictures that went, and who decided."""

    erasure: str
    of: tuple[str, ...]
    pictures: tuple[str, ...]
    because: str
    decided_by: str
    agreed_by: str
    at: str


def read_erasure_list(folder: Path) -> tuple[ListedErasure, ...]:
    """Return every erasure of a data folder, oldest first; none where there is no list.

    Raises
    ------
    StorageError
        The file is there and cannot be read.
    """
    path = folder / FILE_NAME
    try:
        return msgspec.json.decode(path.read_bytes(), type=tuple[ListedErasure, ...])
    except FileNotFoundError:
        return ()
    except (OSError, msgspec.MsgspecError, UnicodeError) as error:
        message = (
            f"{path} cannot be read ({error}). Put it back from a copy: without it a backup that "
            "is put back brings erased records with it."
        )
        raise StorageError(message) from error


def add_to_erasure_list(folder: Path, erasures: tuple[ListedErasure, ...]) -> None:
    """Add erasures to the list; it is on disk whole when this returns, or as it was.

    Raises
    ------
    StorageError
        The list cannot be read or written.
    """
    known = read_erasure_list(folder)
    held = {one.erasure for one in known}
    content = msgspec.json.encode((*known, *(one for one in erasures if one.erasure not in held)))
    path = folder / FILE_NAME
    half = path.with_name(f"{path.name}.part")
    try:
        half.unlink(missing_ok=True)
        descriptor = os.open(half, os.O_WRONLY | os.O_CREAT | os.O_EXCL, OWNER_ALONE)
        with os.fdopen(descriptor, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        half.rename(path)
    except OSError as error:
        half.unlink(missing_ok=True)
        message = f"{path} cannot be written ({error.strerror}). Make room, then try again."
        raise StorageError(message) from error
