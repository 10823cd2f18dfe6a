"""What records show, kept beside the log and rebuilt from it at any time."""

from collections.abc import Iterable, Iterator, Mapping

import msgspec

from api.outcomes.definitions import packaged_definitions
from api.record_catalogue.catalogue import Catalogue
from api.storage.any_connection import Connection
from api.storage.handles import EnteredRecords, Handles
from api.storage.operation_store import OperationStore
from api.storage.read_views import VERSION, KeptConflict, ReadViews
from api.storage.view_rows import KEPT_WHEN_STRUCK, Merged, rows_of, table_of
from sync.merge import RecordState, merge_record, shown_value
from sync.operation import Operation, decode_body

RECORDS_AT_ONCE = 1_000
_ROWS_AT_ONCE = 500
# So much of each head's hash tells whether a kept row still rests on the same.
_HEAD_DIGITS = 8

# Record, parent, stream, whether it is in conflict, and what it rests on.
StateRow = tuple[str, str | None, str, int, bytes]


class RecordView:
    """Kind, parent, conflict and heads by record. Transactions are the caller's."""

    def __init__(
        self, connection: Connection, operations: OperationStore, catalogue: Catalogue
    ) -> None:
        self._connection = connection
        self._operations = operations
        self._catalogue = catalogue
        self._handles = Handles(connection)
        self.reads = ReadViews(connection)

    def bring_up(self) -> None:
        """Rebuild the views when another release, catalogue or definition has made them."""
        wanted = self._catalogue.version * 100_000 + VERSION * 1_000
        # The rows of treated cases hold what the definitions of outcomes say of each.
        wanted += packaged_definitions().version
        if self._connection.views_version() != wanted:
            self.rebuild()
            self._connection.keep_views_version(wanted)

    def refresh(self, records: Iterable[str]) -> None:
        """Merge the given records again from their operations."""
        for some in _parts_of(sorted(set(records))):
            operations = self._operations.of_records(some)
            merged = list(self._merge(operations))
            handles = self._keep_rows([self._row(one) for one in merged], {}, are_new=False)
            self.reads.keep(merged, operations, handles)
            self._forget([one for one in some if one not in operations])

    def _forget(self, records: list[str]) -> None:
        """Drop what is kept of records of which nothing is held any more."""
        if not records:
            return
        self._connection.execute(
            "DELETE FROM record_state WHERE record IN (SELECT id FROM record WHERE name IN"
            " (SELECT value FROM json_each(?)))",
            (msgspec.json.encode(records).decode(),),
        )
        self.reads.forget(self._handles.find_records(records))

    def refresh_after(self, appended: Iterable[Operation], handles: EnteredRecords) -> None:
        """Renew the records of operations that were just appended, by the answer of `append`.

        Only of records that were held before is it read what came before.
        """
        new: dict[str, list[Operation]] = {}
        older: set[str] = set()
        for operation in appended:
            if operation.record in handles.fresh:
                new.setdefault(operation.record, []).append(operation)
            else:
                older.add(operation.record)
        rows: list[StateRow] = []
        to_merge: dict[str, list[Operation]] = {}
        for record, some in new.items():
            row = self._row_of_one(some[0]) if len(some) == 1 else None
            if row is None:
                to_merge[record] = some
            else:
                rows.append(row)
        merged = list(self._merge(to_merge))
        rows += [self._row(one) for one in merged]
        self.reads.keep(merged, (), self._keep_rows(rows, handles.by_name, are_new=True))
        self.refresh(older)

    def rebuild(self) -> int:
        """Throw the view away and make it again from the log; return the number of records."""
        self._connection.execute("DELETE FROM record_state")
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

    def states_of(self, records: Iterable[str]) -> dict[str, RecordState]:
        """Return what each of several records shows, those left out of which nothing is held."""
        return {
            one.state.record: one.state
            for some in _parts_of(sorted(set(records)))
            for one in self._merge(self._operations.of_records(some))
        }

    def state_before_strike(self, record: str) -> RecordState | None:
        """Return what a record said before it was struck, None when nothing is held."""
        operations = [one for one in self._operations.of_record(record) if _sets(one)]
        if not operations:
            return None
        policies = self._catalogue.policies_of(operations[0].kind)
        return merge_record(record, operations, policies)

    def conflicts(self, streams: Iterable[str]) -> list[KeptConflict]:
        """Return every open conflict in the given streams, by record and field."""
        return self.reads.conflicts(streams)

    def of_kind(self, kind: str) -> list[RecordState]:
        """Return what all records of one kind show, by record id.

        A record of which nothing is known, neither a value nor a strike, is left out: its bodies
        were destroyed (ER4).
        """
        rows = self._connection.execute(
            "SELECT name FROM record JOIN record_state ON record_state.record = record.id"
            # The sign after the slash: all names that begin with the kind, by their index.
            " WHERE name > ? || '/' AND name < ? || '0' ORDER BY name",
            (kind, kind),
        ).fetchall()
        return [
            one.state
            for some in _parts_of([row[0] for row in rows])
            for one in self._merge(self._operations.of_records(some))
            if one.state.fields or one.state.struck
        ]

    def differing(self) -> list[str]:
        """Return the records whose kept view is not what their operations say, sorted."""
        reads = self.reads.rows()
        kept = {
            row[0]: (row, reads.pop(row[0], []))
            for row in self._connection.execute(
                "SELECT record, parent, stream, has_conflict, rests_on FROM record_view"
                " ORDER BY record"
            )
        }
        merged = {
            one.state.record: (self._row(one), sorted(rows_of(one)))
            for some in _parts_of(self._operations.records())
            for one in self._merge(self._operations.of_records(some))
        }
        names = sorted(set(kept) | set(merged) | set(reads))
        found = {name for name in names if name in reads or kept.get(name) != merged.get(name)}
        return sorted(found.union(self.reads.outcomes.differing()))

    def _keep_rows(
        self, rows: list[StateRow], known: Mapping[str, int], *, are_new: bool
    ) -> dict[str, int]:
        """Keep rows, and return the handles of their records and parents.

        ``are_new`` where surely none is kept of any of the records.
        """
        rows.sort()
        named = {row[0] for row in rows} | {row[1] for row in rows if row[1]}
        records = {**known, **self._handles.enter_records(named - known.keys()).by_name}
        streams = {name: self._handles.enter_stream(name) for name in {row[2] for row in rows}}
        values = [
            (
                records[record],
                records[parent] if parent else None,
                streams[stream],
                has_conflict,
                rests_on,
            )
            for record, parent, stream, has_conflict, rests_on in rows
        ]
        if are_new:
            self._connection.executemany("INSERT INTO record_state VALUES (?, ?, ?, ?, ?)", values)
            return records
        for start in range(0, len(values), _ROWS_AT_ONCE):
            some = values[start : start + _ROWS_AT_ONCE]
            marks = ", ".join(["(?, ?, ?, ?, ?)"] * len(some))
            # All in one statement, since each that PostgreSQL is told costs a way there.
            self._connection.execute(
                f"INSERT INTO record_state VALUES {marks} ON CONFLICT (record) DO UPDATE SET"  # noqa: S608
                " parent = excluded.parent, stream = excluded.stream,"
                " has_conflict = excluded.has_conflict, rests_on = excluded.rests_on",
                [value for row in some for value in row],
            )
        return records

    def _row_of_one(self, operation: Operation) -> StateRow | None:
        """Return what `_row` would of a record written once, sooner; None where it takes a merge.

        Most records are written once, and no table of the read views lists them.
        """
        kind = operation.kind
        if operation.body_text is None or table_of(kind) is not None:
            return None
        body = decode_body(operation.body_text)
        if body.over or body.retract or body.again:
            return None
        known = self._catalogue.kinds.get(kind)
        parent = body.set.get(known.parent) if known and known.parent else None
        return (
            operation.record,
            parent if isinstance(parent, str) and parent else None,
            operation.stream,
            0,
            bytes.fromhex(operation.hash[:_HEAD_DIGITS]),
        )

    def _merge(self, operations: Mapping[str, list[Operation]]) -> Iterator[Merged]:
        for record, some in sorted(operations.items()):
            kind = some[0].kind
            policies = self._catalogue.policies_of(kind)
            state = merge_record(record, some, policies)
            before = None
            if state.is_entered_in_error and kind in KEPT_WHEN_STRUCK:
                # Without the operations that only strike.
                before = merge_record(record, [one for one in some if _sets(one)], policies)
            yield Merged(kind, some[0].stream, state, before)

    def _row(self, merged: Merged) -> StateRow:
        kind, stream, state, _ = merged
        known = self._catalogue.kinds.get(kind)
        parent = shown_value(state.fields.get(known.parent)) if known and known.parent else None
        return (
            state.record,
            parent if isinstance(parent, str) and parent else None,
            stream,
            int(bool(state.conflicts)),
            # What the state rests on, not the state: that is merged from the log when asked for.
            bytes.fromhex(
                "".join(reference.partition("#")[2][:_HEAD_DIGITS] for reference in state.heads)
            ),
        )


def _sets(operation: Operation) -> bool:
    return operation.body_text is not None and bool(decode_body(operation.body_text).set)


def _parts_of(records: list[str]) -> Iterator[list[str]]:
    """Yield the records in parts, each small enough to be held with its operations."""
    for start in range(0, len(records), RECORDS_AT_ONCE):
        yield records[start : start + RECORDS_AT_ONCE]
