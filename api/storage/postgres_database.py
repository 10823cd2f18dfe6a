"""Opens a hub's database: any number of processes, one writer at a time, every commit on disk.

A transaction takes a lock of the whole database at its start and holds it until it is kept, as
SQLite does with its file. So whatever was read in it still holds when it writes: places in logs,
the next line of the chain of access, handles. And receipt numbers come up in the order in which
transactions are kept: no reader sees a number before a lower one, and none waits for a gap to
close. What is costly of a push (reading, hashing) is done before, reads take no lock, so several
processes still do more than one.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib import resources

import psycopg
import sqlalchemy
from alembic import command
from alembic.config import Config
from alembic.util import CommandError

from api.storage.errors import StorageError, WriteInReadingError
from api.storage.postgres_connection import (
    PostgresConnection,
    database_words,
    name_database_trouble,
    open_session,
)

# Any number that nothing else in the database locks: "crura" in ASCII.
WRITERS = int.from_bytes(b"crura")
_BEGIN = f"BEGIN; SELECT pg_advisory_xact_lock({WRITERS})"
_BEGIN_READING = "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY"
_WANTED = {"fsync": "on", "full_page_writes": "on", "server_encoding": "UTF8"}
_OLDEST = 150_000


class PostgresDatabase:
    """The sessions of one process and their transactions."""

    def __init__(self, connection: PostgresConnection) -> None:
        self.connection = connection

    @contextmanager
    def transaction(self) -> Iterator[PostgresConnection]:
        """Run statements as one: all on disk when the block ends, or none.

        One at a time over all processes. A block inside a block joins the outer one.

        Raises
        ------
        DiskFullError, DiskTroubleError
            The database refused or went away.
        """
        held = self.connection.held
        if held is not None:
            if self.connection.is_reading:
                raise WriteInReadingError
            yield self.connection
            return
        with name_database_trouble(), self._run_as_one(_BEGIN):
            yield self.connection

    @contextmanager
    def alone(self) -> Iterator[PostgresConnection]:
        """Run a block that begins no transaction: here the database's own locks keep it apart."""
        yield self.connection

    @contextmanager
    def reading(self) -> Iterator[PostgresConnection]:
        """Run reads on one state of the store, whoever writes meanwhile.

        Raises
        ------
        WriteInReadingError
            A transaction is begun inside.
        """
        if self.connection.held is not None:
            yield self.connection
            return
        with name_database_trouble(), self._run_as_one(_BEGIN_READING, is_reading=True):
            yield self.connection

    @contextmanager
    def _run_as_one(self, begin: str, *, is_reading: bool = False) -> Iterator[None]:
        with self.connection.hold(begin, is_reading=is_reading) as session:
            try:
                yield
                # After a statement that failed and was passed over, nothing is kept; the answer
                # says so and no error does.
                if session.execute("COMMIT").statusmessage != "COMMIT":
                    raise StorageError("The hub's database kept nothing of this. Try it again.")
            except BaseException:
                if not session.closed:
                    session.execute("ROLLBACK")
                raise

    def close(self, then: Callable[[], None] | None = None) -> None:
        """Close the sessions; ``then`` speaks of a file, and there is none."""
        del then
        self.connection.close()


def open_postgres(url: str) -> PostgresDatabase:
    """Open a hub's database, making or migrating its tables first.

    Raises
    ------
    StorageError
        It cannot be reached, was written by a newer release, or does not promise to keep what it
        has answered for.
    """
    _migrate(url)
    return PostgresDatabase(PostgresConnection(url))


def _migrate(url: str) -> None:
    """Bring the tables to the newest schema, all steps in one transaction; others wait."""
    session = open_session(url)
    engine = sqlalchemy.create_engine(
        "postgresql+psycopg://", creator=lambda: session, poolclass=sqlalchemy.StaticPool
    )
    config = Config()
    folder = resources.files("api.storage") / "migrations_hub"
    config.set_main_option("script_location", str(folder))
    try:
        _refuse_unsafe(session)
        session.autocommit = False
        with engine.begin() as connection:
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({WRITERS})")
            config.attributes["connection"] = connection
            command.upgrade(config, "head")
    except CommandError as error:
        message = "The hub's database was written by a newer crura. Install that release first."
        raise StorageError(message) from error
    except (sqlalchemy.exc.SQLAlchemyError, psycopg.Error) as error:
        said = database_words(getattr(error, "orig", None) or error)
        message = f"The hub's tables cannot be made ({said}). Give a database of its own."
        raise StorageError(message) from error
    finally:
        engine.dispose()
        session.close()


def _refuse_unsafe(session: psycopg.Connection[object]) -> None:
    if session.info.server_version < _OLDEST:
        raise StorageError("The hub needs PostgreSQL 15 or newer. Install it, then try again.")
    for name, wanted in _WANTED.items():
        row = session.execute("SELECT current_setting(%s)", (name,)).fetchone()
        if row != (wanted,):
            message = f"The hub's database has {name} = {row}. Set it to {wanted}, then try again."
            raise StorageError(message)
