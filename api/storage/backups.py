"""Backups: a sound copy of the store, and putting one back."""

import sqlite3
from pathlib import Path

from api.storage.connection import FILE_NAME, lock_folder
from api.storage.errors import StorageError
from api.storage.unit_store import UnitStore

_PARTS = ("", "-wal", "-shm")


def write_backup(store: UnitStore, target: Path) -> None:
    """Write a copy of the store to a file that does not exist yet.

    Raises
    ------
    StorageError
        The file exists or cannot be written. Nothing is overwritten.
    """
    if target.exists():
        message = f"{target} exists already. Choose a new name for the backup."
        raise StorageError(message)
    half = target.with_name(f"{target.name}.part")
    try:
        half.unlink(missing_ok=True)
        store.copy_to(half)
        half.rename(target)
    except (OSError, sqlite3.Error) as error:
        half.unlink(missing_ok=True)
        message = f"The backup {target} cannot be written ({error}). Choose another place."
        raise StorageError(message) from error


def put_back(backup: Path, folder: Path, *, now_ms: int) -> Path | None:
    """Put a backup in the place of the store of a folder.

    Returns
    -------
    Path or None
        Where the store that was there before lies now; None when there was none.

    Raises
    ------
    StorageError
        The backup is no sound store, or the folder is in use. The folder is left as it was.
    """
    _refuse_unsound(backup)
    lock_file = lock_folder(folder)
    try:
        half = folder / f"{FILE_NAME}.part"
        half.unlink(missing_ok=True)
        _copy(backup, half)
        store, aside = folder / FILE_NAME, folder / f"{FILE_NAME}.before-{now_ms}"
        had_one = store.exists()
        for part in _PARTS:
            moved = store.with_name(store.name + part)
            if moved.exists():
                moved.rename(aside.with_name(aside.name + part))
        half.rename(store)
    finally:
        lock_file.close()
    return aside if had_one else None


def _refuse_unsound(backup: Path) -> None:
    if not backup.is_file():
        message = f"There is no backup at {backup}. Name the file that `crura backup` wrote."
        raise StorageError(message)
    try:
        connection = sqlite3.connect(f"{backup.resolve().as_uri()}?mode=ro", uri=True)
        try:
            verdict = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
            connection.execute("SELECT 1 FROM operation LIMIT 1")
        finally:
            connection.close()
    except sqlite3.Error as error:
        message = f"{backup} is no backup of a unit ({error}). Choose another one."
        raise StorageError(message) from error
    if verdict != "ok":
        message = f"{backup} is damaged ({verdict}). Choose another one."
        raise StorageError(message)


def _copy(source: Path, target: Path) -> None:
    reading = sqlite3.connect(f"{source.resolve().as_uri()}?mode=ro", uri=True)
    writing = sqlite3.connect(target)
    try:
        reading.backup(writing, pages=-1)
    finally:
        writing.close()
        reading.close()
