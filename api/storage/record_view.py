"""What records show, kept beside the log and rebuilt from it at any time."""

import sqlite3
from collections.abc import Iterable

import msgspec

from api.record_catalogue.catalogue import Catalogue
from api.storage.operation_store import OperationStore
from sync.conflict import OpenConflict, list_conflicts
from sync.merge import RecordState, merge_record, shown_value


class RecordView:
    """Merged states by record. Transactions are the caller's."""

    def __init__(
        self, connection: sqlite3.Connection, operations: OperationStore, catalogue: Catalogue
    ) -> None:
        self._connection = connection
        self._operations = operations
        self._catalogue = catalogue

    def refresh(self, records: Iterable[str]) -> None:
        """Merge the given records again from their operations."""
        self._connection.executemany(
            "INSERT OR REPLACE INTO record_view VALUES (?, ?, ?, ?, ?, ?)",
            [row for record in sorted(set(records)) for row in self._row(record)],
        )

    def rebuild(self) -> int:
        """Throw the view away and make it again from the log; return the number of records."""
        self._connection.execute("DELETE FROM record_view")
        records = self._operations.records()
        self.refresh(records)
        return len(records)

    def state_of(self, record: str) -> RecordState | None:
        """Return what one record shows, None when nothing is held."""
        operations = self._operations.of_record(record)
        if not operations:
            return None
        kind = operations[0].kind
        return merge_record(record, operations, self._catalogue.policies_of(kind))

    def conflicts(self, streams: Iterable[str]) -> list[OpenConflict]:
        """Return every open conflict in the given streams, by record and field."""
        allowed = tuple(streams)
        marks = ", ".join("?" for _ in allowed)
        rows = self._connection.execute(
            f"SELECT record FROM record_view WHERE has_conflict = 1 AND stream IN ({marks})"  # noqa: S608
            " ORDER BY record",
            allowed,
        ).fetchall()
        states = [self.state_of(row[0]) for row in rows]
        return [conflict for state in states if state for conflict in list_conflicts(state)]

    def of_kind(self, kind: str) -> list[RecordState]:
        """Return what all records of one kind show, by record id."""
        rows = self._connection.execute(
            "SELECT record FROM record_view WHERE kind = ? ORDER BY record", (kind,)
        ).fetchall()
        return [state for row in rows if (state := self.state_of(row[0])) is not None]

    def differing(self) -> list[str]:
        """Return the records whose kept view is not what their operations say, sorted."""
        kept: dict[str, tuple[object, ...]] = {
            row[0]: row
            for row in self._connection.execute("SELECT * FROM record_view ORDER BY record")
        }
        merged = {record: row for record in self._operations.records() for row in self._row(record)}
        names = sorted(set(kept) | set(merged))
        return [name for name in names if kept.get(name) != merged.get(name)]

    def _row(self, record: str) -> list[tuple[object, ...]]:
        operations = self._operations.of_record(record)
        if not operations:
            return []
        kind = operations[0].kind
        state = merge_record(record, operations, self._catalogue.policies_of(kind))
        known = self._catalogue.kinds.get(kind)
        parent = shown_value(state.fields.get(known.parent)) if known and known.parent else None
        return [
            (
                record,
                kind,
                parent if isinstance(parent, str) else None,
                operations[0].stream,
                int(bool(state.conflicts)),
                msgspec.json.encode(state).decode(),
            )
        ]
