"""Handles: small numbers that stand for the texts which each operation would repeat.

Logs (device and epoch), streams and records have one row each. A handle is never given anew
and says nothing outside its file.
"""

from collections.abc import Iterable

import msgspec

from api.storage.any_connection import Statements

# SQLite binds more than 30,000 values; so many keep the statement short.
NAMES_AT_ONCE = 500


class EnteredRecords(msgspec.Struct, frozen=True):
    """The handles of records by name, and the names that had none until now."""

    by_name: dict[str, int]
    fresh: frozenset[str]


class Handles:
    """Handles in SQLite; kept nowhere else, so that one taken back with its transaction is gone."""

    def __init__(self, connection: Statements) -> None:
        self._connection = connection

    def enter_log(self, device: str, epoch: str) -> int:
        """Return the handle of a log, a new one where it has none."""
        return self.find_log(device, epoch) or self._insert(
            "INSERT INTO log (device, epoch) VALUES (?, ?) RETURNING id", (device, epoch)
        )

    def find_log(self, device: str, epoch: str) -> int | None:
        """Return the handle of a log, None where it has none."""
        row = self._connection.execute(
            "SELECT id FROM log WHERE device = ? AND epoch = ?", (device, epoch)
        ).fetchone()
        return row[0] if row else None

    def enter_stream(self, name: str) -> int:
        """Return the handle of a stream, a new one where it has none."""
        return self.find_stream(name) or self._insert(
            "INSERT INTO stream (name) VALUES (?) RETURNING id", (name,)
        )

    def find_stream(self, name: str) -> int | None:
        """Return the handle of a stream, None where it has none."""
        row = self._connection.execute("SELECT id FROM stream WHERE name = ?", (name,)).fetchone()
        return row[0] if row else None

    def find_records(self, names: Iterable[str]) -> dict[str, int]:
        """Return the handles of records by name; those that have none are left out."""
        found: dict[str, int] = {}
        # Bound one by one, not as one JSON text: the json_each of older SQLite ends a text at
        # U+0000, which the name of a parent may hold; it would then be entered a second time.
        wanted = sorted(names)
        for start in range(0, len(wanted), NAMES_AT_ONCE):
            some = wanted[start : start + NAMES_AT_ONCE]
            marks = ", ".join("?" * len(some))
            found.update(
                self._connection.execute(
                    f"SELECT name, id FROM record WHERE name IN ({marks})",  # noqa: S608
                    some,
                ).fetchall()
            )
        return found

    def enter_records(self, names: Iterable[str], *, lowest: int = 1) -> EnteredRecords:
        """Return the handles of records, new ones where they have none, none below the lowest."""
        wanted = set(names)
        handles = self.find_records(wanted) if wanted else {}
        fresh = wanted - handles.keys()
        if fresh:
            row = self._connection.execute("SELECT coalesce(max(id), 0) FROM record").fetchone()
            # In the order of their names: ids that begin with the time then lie side by side.
            rows = list(enumerate(sorted(fresh), start=max(row[0] + 1, lowest)))
            self._connection.executemany("INSERT INTO record (id, name) VALUES (?, ?)", rows)
            handles.update((name, handle) for handle, name in rows)
        return EnteredRecords(handles, frozenset(fresh))

    def _insert(self, statement: str, values: tuple[str, ...]) -> int:
        # All rows are read: a statement of SQLite that still has one is not over.
        ((handle,),) = self._connection.execute(statement, values).fetchall()
        return int(handle)
