"""What SQLite says of the disk, as a sentence for whoever has to see to it."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from api.storage.errors import DiskFullError, DiskTroubleError, StorageError

_DISK_REFUSES = (sqlite3.SQLITE_IOERR, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN)
_FILE_DAMAGED = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


@contextmanager
def name_disk_trouble() -> Iterator[None]:
    """Turn what SQLite says of the disk into an error with a sentence; let the rest pass.

    Raises
    ------
    DiskFullError
        No room is left.
    DiskTroubleError
        The disk cannot be read or written, or the file is damaged.
    """
    try:
        yield
    except sqlite3.DatabaseError as error:
        trouble = describe_disk_trouble(error)
        if trouble is None:
            raise
        raise trouble from error


def describe_disk_trouble(error: BaseException | None) -> StorageError | None:
    """Return what an error of SQLite says of the disk, None when it is about something else."""
    # The low byte is the class, the rest says which call failed.
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    if code == sqlite3.SQLITE_FULL:
        return DiskFullError(
            "The disk of the unit server is full and nothing of this was kept. Make room there, "
            "then try again; tablets keep their entries and send them by themselves."
        )
    if code in _DISK_REFUSES:
        return DiskTroubleError(
            f"The disk of the unit server refuses ({error}) and nothing of this was kept. See "
            "that it can be written, then try again; tablets keep their entries and send them."
        )
    if code in _FILE_DAMAGED:
        return DiskTroubleError(
            f"The store of the unit server is damaged ({error}) and nothing of this was kept. "
            "Restore it from a backup; tablets send the rest again."
        )
    return None
