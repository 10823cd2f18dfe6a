"""Opens the unit's SQLite file: one process, one writing connection, every commit on disk."""

import fcntl
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import RLock
from typing import IO

from api.storage.disk_trouble import name_disk_trouble
from api.storage.errors import FolderInUseError, StorageError, WriteInReadingError
from api.storage.file_connection import TEMPORARY, FileConnection
from api.storage.newest_schema import is_newest

FILE_NAME = "crura.sqlite3"
LOCK_NAME = "crura.lock"
FULL = 2  # PRAGMA synchronous, as SQLite numbers it


class Database:
    """The one connection of a data folder and the lock that keeps other processes out."""

    def __init__(self, connection: FileConnection, lock_file: IO[str]) -> None:
        self.connection = connection
        self._lock_file = lock_file
        self._one_at_a_time = RLock()
        self._is_inside = False
        self._is_reading = False

    @contextmanager
    def transaction(self) -> Iterator[FileConnection]:
        """Run statements as one: all on disk when the block ends, or none.

        Threads take turns. A block inside a block joins the outer one.

        Raises
        ------
        DiskFullError, DiskTroubleError
            The disk refused; nothing of the block was kept.
        """
        with self._one_at_a_time:
            # Our own mark, not the connection's: where SQLite ended the transaction by itself (a
            # full disk), the outer block has to fail at its end and must not pass for kept.
            if self._is_reading:
                raise WriteInReadingError
            if self._is_inside:
                yield self.connection
                return
            self._is_inside = True
            try:
                with name_disk_trouble():
                    yield from self._run_as_one()
            finally:
                self._is_inside = False

    @contextmanager
    def alone(self) -> Iterator[FileConnection]:
        """Run a block that begins no transaction while no other thread is in one."""
        with self._one_at_a_time:
            yield self.connection

    @contextmanager
    def reading(self) -> Iterator[FileConnection]:
        """Run reads on one state of the store; inside a transaction they are part of it.

        Raises
        ------
        WriteInReadingError
            A transaction is begun inside: another database has none to give there.
        """
        with self._one_at_a_time:
            if self._is_inside or self._is_reading:
                yield self.connection
                return
            with self.transaction():
                self._is_reading = True
                try:
                    yield self.connection
                finally:
                    self._is_reading = False

    def _run_as_one(self) -> Iterator[FileConnection]:
        self.connection.execute("BEGIN IMMEDIATE")
        try:
            yield self.connection
            self.connection.execute("COMMIT")
        except BaseException:
            # Also after a commit that failed: left open, the next block would join it and
            # never be committed.
            if self.connection.in_transaction:
                self.connection.execute("ROLLBACK")
            raise

    def close(self, then: Callable[[], None] | None = None) -> None:
        """Close the file, do what is to be done before others come, and let them in."""
        try:
            self.connection.close()
            if then is not None:
                then()
        finally:
            self._lock_file.close()


def lock_folder(folder: Path) -> IO[str]:
    """Take the folder for this process; closing the file gives it back.

    Raises
    ------
    FolderInUseError
        Another process holds the folder. SQLite before 3.51.3 can corrupt a WAL file that two
        connections reset at once (HAZ-39), so a second process is refused, not queued.
    StorageError
        The folder cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock_file = (folder / LOCK_NAME).open("w")
    except OSError as error:
        message = f"The data folder {folder} cannot be written ({error.strerror}). Choose another."
        raise StorageError(message) from error
    try:
        fcntl.flock(lock_file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        lock_file.close()
        message = (
            f"crura serve is running on {folder}. Use the running server, or stop it and try again."
        )
        raise FolderInUseError(message) from error
    return lock_file


def open_database(folder: Path, *, first: Callable[[Path], None] | None = None) -> Database:
    """Open the store of a data folder, creating or migrating it first.

    Parameters
    ----------
    first : callable or None
        Given the file while nobody else can have it and before anything touches it.

    Raises
    ------
    FolderInUseError
        Another process holds the folder.
    StorageError
        The folder cannot be written, its file is no store of ours or one of a newer release, or
        SQLite does not grant WAL with full syncing. The file is left as it was.
    """
    lock_file = lock_folder(folder)
    path = folder / FILE_NAME
    try:
        if first is not None:
            first(path)
        _bring_to_newest(path)
        connection = _connect(path)
    except BaseException:
        lock_file.close()
        raise
    return Database(connection, lock_file)


def _connect(path: Path) -> FileConnection:
    connection = sqlite3.connect(
        path, isolation_level=None, check_same_thread=False, factory=FileConnection
    )
    try:
        with name_disk_trouble():
            _ask_for_full_syncing(connection, path)
    except BaseException:
        connection.close()
        raise
    return connection


def _ask_for_full_syncing(connection: sqlite3.Connection, path: Path) -> None:
    mode = connection.execute("PRAGMA journal_mode=wal").fetchone()[0]
    connection.execute("PRAGMA synchronous=full")
    connection.execute("PRAGMA foreign_keys=on")
    connection.execute(TEMPORARY)
    if mode != "wal" or connection.execute("PRAGMA synchronous").fetchone()[0] != FULL:
        message = f"SQLite does not grant full syncing for {path}. Choose a folder on a local disk."
        raise StorageError(message)


def _bring_to_newest(path: Path) -> None:
    if not is_newest(path):
        # Half of what a command loads, and few openings need it.
        from api.storage.file_migration import migrate

        migrate(path)
