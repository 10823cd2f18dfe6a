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

from api.storage.errors import StorageError, WriteInReadingError
from api.storage.postgres_connection import WRITERS, PostgresConnection, name_database_trouble

_BEGIN = f"BEGIN; SELECT pg_advisory_xact_lock({WRITERS})"
_BEGIN_READING = "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY"


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
    # Slow to import; a command at a unit needs none of it.
    from api.storage.hub_migration import migrate

    migrate(url)
    return PostgresDatabase(PostgresConnection(url))
