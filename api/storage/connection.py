"""Opens the unit's SQLite file: one process, one writing connection, every commit on disk."""

import fcntl
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import resources
from pathlib import Path
from threading import RLock
from typing import IO, Any

import sqlalchemy
import sqlalchemy.event
import sqlalchemy.exc
from alembic import command
from alembic.config import Config
from alembic.util import CommandError

from api.storage.errors import FolderInUseError, StorageError

FILE_NAME = "crura.sqlite3"
LOCK_NAME = "crura.lock"
FULL = 2  # PRAGMA synchronous, as SQLite numbers it


class Database:
    """The one connection of a data folder and the lock that keeps other processes out."""

    def __init__(self, connection: sqlite3.Connection, lock_file: IO[str]) -> None:
        self.connection = connection
        self._lock_file = lock_file
        self._one_at_a_time = RLock()

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """Run statements as one: all on disk when the block ends, or none.

        Threads take turns. A block inside a block joins the outer one.
        """
        with self._one_at_a_time:
            if self.connection.in_transaction:
                yield self.connection
                return
            self.connection.execute("BEGIN IMMEDIATE")
            try:
                yield self.connection
            except BaseException:
                self.connection.execute("ROLLBACK")
                raise
            self.connection.execute("COMMIT")

    def close(self) -> None:
        """Close the file and let others in."""
        self.connection.close()
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


def open_database(folder: Path) -> Database:
    """Open the store of a data folder, creating or migrating it first.

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
        _migrate(path)
        connection = _connect(path)
    except BaseException:
        lock_file.close()
        raise
    return Database(connection, lock_file)


def _connect(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
    mode = connection.execute("PRAGMA journal_mode=wal").fetchone()[0]
    connection.execute("PRAGMA synchronous=full")
    connection.execute("PRAGMA foreign_keys=on")
    if mode != "wal" or connection.execute("PRAGMA synchronous").fetchone()[0] != FULL:
        connection.close()
        message = f"SQLite does not grant full syncing for {path}. Choose a folder on a local disk."
        raise StorageError(message)
    return connection


def _migrate(path: Path) -> None:
    """Bring the file to the newest schema, all steps and their record in one transaction."""
    config = Config()
    config.set_main_option("script_location", str(resources.files("api.storage") / "migrations"))
    engine = sqlalchemy.create_engine(f"sqlite:///{path}", poolclass=sqlalchemy.NullPool)
    sqlalchemy.event.listen(engine, "connect", _leave_transactions_to_us)
    sqlalchemy.event.listen(engine, "begin", _begin)
    try:
        with engine.begin() as connection:
            config.attributes["connection"] = connection
            command.upgrade(config, "head")
    except CommandError as error:
        message = f"{path} was written by a newer crura. Install that release, then try again."
        raise StorageError(message) from error
    except sqlalchemy.exc.DatabaseError as error:
        message = f"{path} cannot be read as a store ({error.orig}). Restore it from a backup."
        raise StorageError(message) from error
    finally:
        engine.dispose()


# Python's sqlite3 begins no transaction before CREATE TABLE: a migration cut off in the middle
# would stay half done.
def _leave_transactions_to_us(connection: Any, _record: object) -> None:  # noqa: ANN401
    connection.isolation_level = None


def _begin(connection: sqlalchemy.Connection) -> None:
    connection.exec_driver_sql("BEGIN IMMEDIATE")
