"""What the store asks of its database: one statement at a time, in a dialect that both speak.

Two databases fulfil it: SQLite on a unit (`connection.FileConnection`) and PostgreSQL on a hub of
many processes (`postgres_connection.PostgresConnection`). Statements are written for SQLite with
`?` for each value; what PostgreSQL calls otherwise is translated there (`postgres_words`).
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any, Protocol


class Cursor(Protocol):
    """The answer to a statement."""

    @property
    def rowcount(self) -> int:
        """How many rows a change has met."""

    def fetchone(self) -> Any:  # noqa: ANN401  a row holds whatever was asked for
        """Return the next row, None after the last one."""

    def fetchall(self) -> list[Any]:
        """Return all further rows."""

    def __iter__(self) -> Iterator[Any]:
        """Yield all further rows."""


class Statements(Protocol):
    """Runs statements; inside a transaction of the caller's, else each by itself."""

    def execute(self, sql: str, parameters: Sequence[Any] = ..., /) -> Cursor:
        """Run one statement."""

    def executemany(self, sql: str, parameters: Iterable[Sequence[Any]], /) -> object:
        """Run one statement for each row of values."""


class Connection(Statements, Protocol):
    """Statements, and what each database does in its own way."""

    @property
    def skip_locked(self) -> str:
        """End of a selection that passes over rows which another process has taken."""

    def views_version(self) -> int:
        """Return which release and catalogue made the read views, 0 for none."""

    def keep_views_version(self, version: int) -> None:
        """Keep which release and catalogue made the read views."""

    def open_handles(self, received_ms: int) -> int:
        """Return the lowest handle that a record first met at a moment may have."""

    def overwrite_freed(self) -> None:
        """Let what is destroyed from now on leave no bytes behind."""

    def squeeze(self) -> None:
        """Write everything anew without what was freed; outside a transaction."""

    def copy_to(self, path: Path) -> None:
        """Write a sound copy of everything into a new file, while it is in use."""

    def check(self) -> str:
        """Return the database's own verdict on what it keeps, "ok" when it is sound."""

    def schema(self) -> dict[str, str]:
        """Return the shape of every table, view and index by name."""


class AnyDatabase(Protocol):
    """A connection and its transactions."""

    @property
    def connection(self) -> Connection:
        """Where statements run."""

    def transaction(self) -> AbstractContextManager[object]:
        """Run a block as one: all of it kept at its end, or none; one writer at a time."""

    def alone(self) -> AbstractContextManager[object]:
        """Run a block that begins no transaction while no other thread is in one."""

    def reading(self) -> AbstractContextManager[object]:
        """Run a block of reads on one state of the store; nothing may be written in it."""

    def close(self, then: Callable[[], None] | None = None) -> None:
        """Close, and do what is to be done before others come."""
