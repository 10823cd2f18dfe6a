"""PostgreSQL as the store's connection: each thread in a transaction has a session of its own.

Statements come in the dialect that SQLite shares (`postgres_words`), values as SQLite would take
and return them (`postgres_types`).
"""

import threading
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, cast

import msgspec
import psycopg

from api.storage.any_connection import Cursor
from api.storage.errors import DiskFullError, DiskTroubleError, StorageError
from api.storage.postgres_line import refuse_clear_line
from api.storage.postgres_types import adapt_values
from api.storage.postgres_words import read_plain_insert, translate
from api.storage.year_tables import make_year_tables

Session = psycopg.Connection[Any]
# A session that lost its process or its line frees what it holds within minutes: nobody may stand
# in the way of every other writer.
_OPTIONS = {
    "keepalives_idle": 30,
    "keepalives_interval": 10,
    "keepalives_count": 3,
    "tcp_user_timeout": 60_000,
    "connect_timeout": 10,
}
_SETTINGS = (
    "SET synchronous_commit = on; SET lock_timeout = '60s';"
    " SET idle_in_transaction_session_timeout = '300s'; SET timezone = 'UTC'; SET jit = off"
)
# Any number that nothing else in the database locks: "crura" in ASCII.
WRITERS = int.from_bytes(b"crura")
# Into its log PostgreSQL writes the row that it refuses, and each value of a statement that took
# long: not so where it is told to be short. Its superuser has to permit that to any other.
_SHORT_LOG = (
    "SELECT set_config('log_error_verbosity', 'terse', false)"
    " WHERE has_parameter_privilege('log_error_verbosity', 'SET')"
)
# From which release on one can be asked whether that is permitted; older ones are refused later.
_ASKS_PRIVILEGE = 150_000
# Of one process: a server of a hundred sessions has room for several of them.
MOST_SESSIONS = 16
_WAIT_SECONDS = 60.0
_VIEWS = "views made by"
# What may still hold destroyed texts in pages that are free.
_WITH_TEXTS = ("bodies", "log_entry", "quarantine", "waiting_operation", "segment")
_NUMBERS = msgspec.json.Decoder(list[str | int])


class PostgresConnection:
    """Runs statements on one of its sessions; any thread may call it."""

    skip_locked = "FOR UPDATE SKIP LOCKED"

    def __init__(self, url: str) -> None:
        self._url = url
        self._idle: list[Session] = []
        self._guard = threading.Lock()
        self._free = threading.BoundedSemaphore(MOST_SESSIONS)
        self._here = threading.local()
        self._is_closed = False

    def execute(self, sql: str, parameters: Sequence[Any] = (), /) -> Cursor:
        """Run one statement."""
        statement, listed = translate(sql)
        values: Sequence[Any] = parameters
        if listed:
            values = [
                _read_list(value) if place in listed else value
                for place, value in enumerate(parameters)
            ]
        with name_database_trouble(), self._session() as session:
            return cast("Cursor", session.execute(statement, values))

    def executemany(self, sql: str, parameters: Iterable[Sequence[Any]], /) -> None:
        """Run one statement for each row of values; rows that are only added go by COPY."""
        rows = list(parameters)
        if not rows:
            return
        added = read_plain_insert(sql)
        with name_database_trouble(), self._session() as session, session.cursor() as cursor:
            if added is None:
                cursor.executemany(translate(sql).sql, rows)
                return
            columns = f" ({', '.join(added.columns)})" if added.columns else ""
            into = f"COPY {added.table}{columns} FROM STDIN"
            with cursor.copy(into) as copy:
                for row in rows:
                    copy.write_row(row)

    def views_version(self) -> int:
        """Return which release and catalogue made the read views, 0 for none."""
        row = self.execute("SELECT content FROM fact WHERE name = ?", (_VIEWS,)).fetchone()
        return int(row[0]) if row else 0

    def keep_views_version(self, version: int) -> None:
        """Keep which release and catalogue made the read views."""
        self.execute(
            "INSERT INTO fact VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET"
            " content = excluded.content",
            (_VIEWS, str(version)),
        )

    def open_handles(self, received_ms: int) -> int:
        """Return the lowest handle of the records of a month; the tables of its year are there."""
        return make_year_tables(self, received_ms)

    def overwrite_freed(self) -> None:
        """Do nothing here: what is freed goes when `squeeze` writes its tables anew."""

    def squeeze(self) -> None:
        """Write the tables that hold texts anew; outside a transaction."""
        for table in _WITH_TEXTS:
            self.execute(f"VACUUM (FULL) {table}")

    def copy_to(self, path: Path) -> None:
        """Raise StorageError: a copy of PostgreSQL is not made by us."""
        message = (
            f"{path} was not written: this store lies in PostgreSQL. Whoever runs that database "
            "makes its copies (pg_dump, pg_basebackup); ask there."
        )
        raise StorageError(message)

    def check(self) -> str:
        """Read every table through, and return "ok" or what the database says of it."""
        try:
            for table in self.schema():
                self.execute(f"SELECT count(*) FROM {table}").fetchone()  # noqa: S608
            row = self.execute("SELECT count(*) FROM pg_index WHERE NOT indisvalid").fetchone()
        except (psycopg.Error, StorageError) as error:
            return database_words(error)
        return "ok" if row[0] == 0 else "an index is not valid; have it made anew (REINDEX)"

    def schema(self) -> dict[str, str]:
        """Return the columns of every table and view by name, those of one year left out."""
        rows = self.execute(
            "SELECT relname, string_agg(attname || ' ' || format_type(atttypid, atttypmod)"
            " || CASE WHEN attnotnull THEN ' NOT NULL' ELSE '' END, ', ' ORDER BY attnum)"
            " FROM pg_class JOIN pg_attribute ON attrelid = pg_class.oid"
            " WHERE relnamespace = current_schema()::regnamespace AND relkind IN ('r', 'p', 'v')"
            " AND NOT relispartition AND attnum > 0 AND NOT attisdropped"
            " GROUP BY relname ORDER BY relname"
        )
        return dict(rows.fetchall())

    @property
    def held(self) -> Session | None:
        """The session of this thread's transaction, None outside of one."""
        return getattr(self._here, "session", None)

    @property
    def is_reading(self) -> bool:
        """Say whether this thread is in a block of reads."""
        return getattr(self._here, "is_reading", False)

    @contextmanager
    def hold(self, begin: str, *, is_reading: bool) -> Iterator[Session]:
        """Give this thread a session of its own for a block, in which ``begin`` was run."""
        session = self._begin(begin)
        self._here.session, self._here.is_reading = session, is_reading
        try:
            yield session
        finally:
            self._here.session, self._here.is_reading = None, False
            self._give_back(session)

    def close(self) -> None:
        """Close every session that nobody uses; one in use is closed when it is given back."""
        with self._guard:
            self._is_closed = True
            idle, self._idle = self._idle, []
        for session in idle:
            session.close()

    def _begin(self, begin: str) -> Session:
        session = self._take()
        try:
            session.execute(begin)
        except psycopg.OperationalError:
            was_cut = session.closed
            self._give_back(session)
            if not was_cut:
                raise
            # The database was started anew since this session was used.
            session = self._take()
            try:
                session.execute(begin)
            except BaseException:
                self._give_back(session)
                raise
        return session

    @contextmanager
    def _session(self) -> Iterator[Session]:
        if self.held is not None:
            yield self.held
            return
        session = self._take()
        try:
            yield session
        finally:
            self._give_back(session)

    def _take(self) -> Session:
        if not self._free.acquire(timeout=_WAIT_SECONDS):
            raise StorageError("The hub has too much to do. Try again in a minute.")
        try:
            with self._guard:
                if self._is_closed:
                    raise StorageError("The store is closed. Start the server again.")
                if self._idle:
                    return self._idle.pop()
            return open_session(self._url)
        except BaseException:
            self._free.release()
            raise

    def _give_back(self, session: Session) -> None:
        is_at_rest = session.info.transaction_status == psycopg.pq.TransactionStatus.IDLE
        with self._guard:
            if is_at_rest and not self._is_closed:
                self._idle.append(session)
                over = []
            else:
                # What cut this one has cut those that are idle, too.
                over, self._idle = [session, *self._idle], []
        self._free.release()
        for one in over:
            one.close()


def open_session(url: str) -> Session:
    """Open a session in which every commit is on disk before it is answered.

    Raises
    ------
    StorageError
        The database cannot be reached, or records could cross to it in clear.
    """
    refuse_clear_line(url)
    try:
        session: Session = psycopg.connect(url, autocommit=True, **_OPTIONS)  # type: ignore[arg-type]
    except psycopg.Error as error:
        said = database_words(error)
        message = f"The hub's database cannot be reached ({said}). See that it runs."
        raise StorageError(message) from error
    adapt_values(session)
    session.execute(_SETTINGS)
    if session.info.server_version >= _ASKS_PRIVILEGE:
        session.execute(_SHORT_LOG)
    return session


@contextmanager
def name_database_trouble() -> Iterator[None]:
    """Turn what PostgreSQL says of its disk or its line into an error with a sentence.

    Raises
    ------
    DiskFullError, DiskTroubleError
        Nothing of the block was kept, or nobody can tell; whoever sent it sends it again.
    """
    try:
        yield
    except psycopg.errors.DiskFull as error:
        raise DiskFullError(
            "The disk of the hub's database is full and nothing of this was kept. Make room "
            "there; units keep their entries and send them by themselves."
        ) from error
    except (psycopg.OperationalError, psycopg.InterfaceError) as error:
        raise DiskTroubleError(
            f"The hub's database does not answer as it should ({database_words(error)}). See that "
            "it runs, then try again; units keep their entries and send them by themselves."
        ) from error


def database_words(error: BaseException) -> str:
    """Return what the database says of an error, without the row that it says it of."""
    said = error.diag.message_primary if isinstance(error, psycopg.Error) else None
    return " ".join((said or str(error)).split())[:200]


def _read_list(value: str) -> list[str]:
    return [str(one) for one in _NUMBERS.decode(value)]
