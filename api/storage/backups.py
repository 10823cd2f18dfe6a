"""Backups: a sound copy of the store, and putting one back."""

import os
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

from api.storage.connection import FILE_NAME, lock_folder
from api.storage.errors import StorageError
from api.storage.picture_files import FOLDER_NAME, PictureFiles
from api.storage.seal import BROKEN_SUFFIX, SUFFIX, judge_seal, write_seal
from api.storage.unit_store import UnitStore

_PARTS = ("", "-wal", "-shm", SUFFIX, BROKEN_SUFFIX)


def pictures_of(backup: Path) -> Path:
    """Return the folder that holds the pictures of a backup, beside it."""
    return backup.with_name(f"{backup.name}.{FOLDER_NAME}")


def write_backup(store: UnitStore, target: Path) -> tuple[str, ...]:
    """Write a copy of the store to a file that does not exist yet, seal and pictures beside it.

    Returns
    -------
    tuple of str
        Hashes of the pictures left out, since their bytes were altered here.

    Raises
    ------
    StorageError
        The file exists or cannot be written. Nothing is overwritten.
    """
    if target.exists():
        message = f"{target} exists already. Choose a new name for the backup."
        raise StorageError(message)
    half = target.with_name(f"{target.name}.part")
    # A try that was killed may have left pictures; they are whole and serve the next one.
    had_pictures = pictures_of(target).exists()
    try:
        half.unlink(missing_ok=True)
        # Before the copy, which then holds at least as much.
        with store.transaction():
            heads = store.heads_to_seal()
        store.copy_to(half)
        # Before the store has its name: a backup without its pictures would pass for whole.
        left_out = store.pictures.copy_to(pictures_of(target))
        half.rename(target)
        write_seal(target, heads, store.server_key)
        _sync_folder(target.parent)
    except (OSError, sqlite3.Error) as error:
        half.unlink(missing_ok=True)
        # Without its seal it is no backup, and it would stand in the way of the next try.
        target.unlink(missing_ok=True)
        if not had_pictures:
            shutil.rmtree(pictures_of(target), ignore_errors=True)
        message = f"The backup {target} cannot be written ({error}). Choose another place."
        raise StorageError(message) from error
    return left_out


def put_back(backup: Path, folder: Path, *, new_generation: str, now_ms: int) -> Path | None:
    """Put a backup in the place of the store of a folder, under a new generation.

    Cut off at any moment, the folder holds the store that was there or the backup, whole.

    Returns
    -------
    Path or None
        Where the store that was there before lies now; None when there was none.

    Raises
    ------
    StorageError
        The backup is no sound store, the folder is in use, or the disk refuses. The folder is
        left as it was.
    """
    _refuse_unsound(backup)
    lock_file = lock_folder(folder)
    try:
        half = folder / f"{FILE_NAME}.part"
        half.unlink(missing_ok=True)
        # Each is named by its content: those that are here already stay, and none is replaced.
        PictureFiles(pictures_of(backup)).copy_to(folder / FOLDER_NAME)
        _copy(backup, half, new_generation)
        store, aside = folder / FILE_NAME, folder / f"{FILE_NAME}.before-{now_ms}"
        had_one = store.exists()
        _fold_in_log(store)
        for part in _PARTS:
            kept = store.with_name(store.name + part)
            if kept.exists():
                _keep_second_name(kept, aside.with_name(aside.name + part))
        _sync_folder(folder)
        # A log file of the former store must not be read into the backup.
        for part in _PARTS[1:]:
            store.with_name(store.name + part).unlink(missing_ok=True)
        half.replace(store)
        _sync_folder(folder)
    except (OSError, sqlite3.Error) as error:
        message = f"The backup cannot be put into {folder} ({error}). Make room and try again."
        raise StorageError(message) from error
    finally:
        lock_file.close()
    return aside if had_one else None


def _fold_in_log(store: Path) -> None:
    """Write what lies in the log file into the store itself, where the store can be read."""
    if not store.exists():
        return
    try:
        with closing(sqlite3.connect(store)) as connection:
            connection.execute("PRAGMA wal_checkpoint(truncate)").fetchall()
    except sqlite3.DatabaseError:
        return  # Damaged, which may be why a backup is put back: it is kept aside as it is.


def _keep_second_name(kept: Path, aside: Path) -> None:
    try:
        aside.hardlink_to(kept)
    except OSError:  # a file system without second names
        shutil.copyfile(kept, aside)


def _sync_folder(folder: Path) -> None:
    """Bring new names in a folder onto the disk; without it a power cut may undo them."""
    opened = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)


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
    broken = judge_seal(backup, None)
    if broken is not None:
        message = f"{broken} Choose another backup."
        raise StorageError(message)


def _copy(source: Path, target: Path, new_generation: str) -> None:
    reading = sqlite3.connect(f"{source.resolve().as_uri()}?mode=ro", uri=True)
    writing = sqlite3.connect(target)
    try:
        reading.backup(writing, pages=-1)
        # Before it is in place: devices must never read on in it as if it were the former one.
        with writing:
            writing.execute(
                "INSERT OR REPLACE INTO fact VALUES ('generation', ?)", (new_generation,)
            )
    finally:
        writing.close()
        reading.close()
