"""What records show, kept beside the log and rebuilt from it at any time."""

import sqlite3
from collections.abc import Iterable, Iterator

import msgspec

from api.record_catalogue.catalogue import Catalogue
from api.storage.operation_store import OperationStore
from api.storage.read_views import VERSION, KeptConflict, Merged, ReadViews
from api.storage.view_rows import rows_of
from sync.merge import RecordState, merge_record, shown_value
from sync.operation import Operation

RECORDS_AT_ONCE = 1_000


class RecordView:
    """Kind, parent, conflict and heads by record. Transactions are the caller's."""

    def __init__(
        self, connection: sqlite3.Connection, operations: OperationStore, catalogue: Catalogue
    ) -> None:
        self._connection = connection
        self._operations = operations
        self._catalogue = catalogue
        self.reads = ReadViews(connection)

    def bring_up(self) -> None:
        """Rebuild the views when another release, or another catalogue, has made them."""
        wanted = self._catalogue.version * 1_000 + VERSION
        if self._connection.execute("PRAGMA user_version").fetchone()[0] != wanted:
            self.rebuild()
            self._connection.execute(f"PRAGMA user_version = {wanted}")

    def refresh(self, records: Iterable[str]) -> None:
        """Merge the given records again from their operations."""
        for some in _parts_of(sorted(set(records))):
            self._keep(self._operations.of_records(some))

    def refresh_after(self, appended: Iterable[Operation]) -> None:
        """Merge the records of operations that were just appended; read only what came before."""
        fresh: dict[str, list[Operation]] = {}
        for operation in appended:
            fresh.setdefault(operation.record, []).append(operation)
        held = self._operations.count_by_record(fresh)
        older = [record for record, some in fresh.items() if held[record] != len(some)]
        self._keep(fresh | self._operations.of_records(older))

    def rebuild(self) -> int:
        """Throw the view away and make it again from the log; return the number of records."""
        self._connection.execute("DELETE FROM record_view")
        self.reads.clear()
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

    def conflicts(self, streams: Iterable[str]) -> list[KeptConflict]:
        """Return every open conflict in the given streams, by record and field."""
        return self.reads.conflicts(streams)

    def of_kind(self, kind: str) -> list[RecordState]:
        """Return what all records of one kind show, by record id."""
        rows = self._connection.execute(
            "SELECT record FROM record_view WHERE kind = ? ORDER BY record", (kind,)
        ).fetchall()
        return [state for row in rows if (state := self.state_of(row[0])) is not None]

    def differing(self) -> list[str]:
        """Return the records whose kept view is not what their operations say, sorted."""
        reads = self.reads.rows()
        kept = {
            row[0]: (row, reads.pop(row[0], []))
            for row in self._connection.execute("SELECT * FROM record_view ORDER BY record")
        }
        merged = {
            state.record: (
                self._row(kind, stream, state),
                sorted(rows_of(kind, stream, state)),
            )
            for some in _parts_of(self._operations.records())
            for kind, stream, state in self._merge(self._operations.of_records(some))
        }
        names = sorted(set(kept) | set(merged) | set(reads))
        return [name for name in names if name in reads or kept.get(name) != merged.get(name)]

    def _keep(self, operations: dict[str, list[Operation]]) -> None:
        merged = list(self._merge(operations))
        self._connection.executemany(
            "INSERT OR REPLACE INTO record_view VALUES (?, ?, ?, ?, ?, ?)",
            [self._row(*one) for one in merged],
        )
        self.reads.keep(merged)

    def _merge(self, operations: dict[str, list[Operation]]) -> Iterator[Merged]:
        for record, some in sorted(operations.items()):
            kind = some[0].kind
            state = merge_record(record, some, self._catalogue.policies_of(kind))
            yield kind, some[0].stream, state

    def _row(self, kind: str, stream: str, state: RecordState) -> tuple[object, ...]:
        known = self._catalogue.kinds.get(kind)
        parent = shown_value(state.fields.get(known.parent)) if known and known.parent else None
        return (
            state.record,
            kind,
            parent if isinstance(parent, str) else None,
            stream,
            int(bool(state.conflicts)),
            # What the state rests on, not the state: that is merged from the log when asked for.
            msgspec.json.encode(state.heads).decode(),
        )


def _parts_of(records: list[str]) -> Iterator[list[str]]:
    """Yield the records in parts, each small enough to be held with its operations."""
    for start in range(0, len(records), RECORDS_AT_ONCE):
        yield records[start : start + RECORDS_AT_ONCE]
