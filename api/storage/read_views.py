"""Tables beside the log for what screens ask: cases, visits, open conflicts, implants.

Renewed record by record in the transaction that takes an operation in, and equal to what a
rebuild makes of the log (CF4). Transactions are the caller's.
"""

from collections.abc import Container, Iterable, Iterator, Mapping

import msgspec

from api.storage.any_connection import Connection
from api.storage.outcome_rows import CASES, IMPLANTS, PARTS, PATIENTS, OutcomeRows
from api.storage.view_rows import CONFLICTS, TABLES, Answer, Merged, Row, rows_of, table_of

# Raised by one when a table or what stands in it changes, also when `trace/default` does, under
# whose look-alikes lots are indexed: opening a store then rebuilds it.
VERSION = 9
_ANSWERS = msgspec.json.Decoder(tuple[Answer, ...])

# Tables of the registry, in which rows are found by handle. Beside the record's own handle some
# keep that of another name: its place in the row, and the column of its handle.
BY_HANDLE: dict[str, tuple[int, str] | None] = {
    PATIENTS: None,
    CASES: (2, "patient_handle"),
    PARTS: (2, "case_handle"),
    IMPLANTS: None,
}


class KeptConflict(msgspec.Struct, frozen=True, kw_only=True):
    """One field in conflict, every answer with who, where and when (CF1, CF3)."""

    record: str
    kind: str
    field: str
    open_since_ms: int
    answers: tuple[Answer, ...]


class ReadViews:
    """The read views in SQLite."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self.outcomes = OutcomeRows(connection)

    def keep(
        self, merged: Iterable[Merged], renewed: Container[str], handles: Mapping[str, int]
    ) -> None:
        """Keep what stands in the views of records.

        Parameters
        ----------
        merged : iterable of Merged
            The records as they are now.
        renewed : container of str
            Those of which something may be kept already.
        handles : mapping of str to int
            Of the records and of their parents.
        """
        merged = list(merged)
        records = [one.state.record for one in merged]
        old = {record: handles[record] for record in records if record in renewed}
        patients = self.outcomes.patients_of(old)
        gone: dict[str, list[str]] = {table: [] for table in TABLES}
        fresh: dict[str, list[Row]] = {table: [] for table in TABLES}
        for found in merged:
            record = found.state.record
            if record in renewed:
                table = table_of(found.kind)
                for one in (CONFLICTS, *((table,) if table else ())):
                    gone[one].append(record)
            for one, row in rows_of(found):
                fresh[one].append(_with_handles(one, row, handles))
        for table in TABLES:
            self._delete(table, gone[table], old)
            if fresh[table]:
                marks = ", ".join("?" for _ in fresh[table][0])
                self._connection.executemany(
                    f"INSERT INTO {table} VALUES ({marks})",  # noqa: S608
                    fresh[table],
                )
        patients.update(row[-1] for table in (PATIENTS, CASES) for row in fresh[table])
        patients |= self.outcomes.patients_of_cases({row[-1] for row in fresh[PARTS]})
        self.outcomes.renew(patients)

    def forget(self, handles: Mapping[str, int]) -> None:
        """Drop every row of records of which nothing is held any more."""
        patients = self.outcomes.patients_of(handles)
        for table in TABLES:
            self._delete(table, list(handles), handles)
        self.outcomes.renew(patients)

    def _delete(self, table: str, records: list[str], handles: Mapping[str, int]) -> None:
        if not records:
            return
        if table in BY_HANDLE:
            found: list[int] | list[str] = [handles[one] for one in records]
            within = "handle IN (SELECT CAST(value AS BIGINT) FROM json_each(?))"
        else:
            found, within = records, "record IN (SELECT value FROM json_each(?))"
        self._connection.execute(
            f"DELETE FROM {table} WHERE {within}",  # noqa: S608
            (msgspec.json.encode(found).decode(),),
        )

    def clear(self) -> None:
        """Empty every view."""
        for table in TABLES:
            self._connection.execute(f"DELETE FROM {table}")  # noqa: S608
        self.outcomes.clear()

    def rows(self) -> dict[str, list[tuple[str, Row]]]:
        """Return everything kept, by record: table and row, to hold it against the log."""
        kept: dict[str, list[tuple[str, Row]]] = {}
        for table in TABLES:
            # The record is the first column of each.
            for row in self._read(table):
                kept.setdefault(row[0], []).append((table, row))
        return {record: sorted(rows) for record, rows in kept.items()}

    def _read(self, table: str) -> Iterator[Row]:
        """Yield rows as they were made; one whose handles mean other names is longer by a word."""
        if table not in BY_HANDLE:
            yield from map(tuple, self._connection.execute(f"SELECT * FROM {table}"))  # noqa: S608
            return
        named = BY_HANDLE[table]
        columns = ["handle", *((named[1],) if named else ())]
        joins = " ".join(
            f"LEFT JOIN record AS of_{one} ON of_{one}.id = {table}.{one}" for one in columns
        )
        names = ", ".join(f"of_{one}.name" for one in columns)
        count = len(columns)
        rows = self._connection.execute(f"SELECT {table}.*, {names} FROM {table} {joins}")  # noqa: S608
        for row in rows:
            made, meant = tuple(row[: -2 * count]), row[-count:]
            said = [made[0], *((made[named[0]],) if named else ())]
            yield made if list(meant) == said else (*made, "handle")

    def conflicts(self, streams: Iterable[str]) -> list[KeptConflict]:
        """Return every open conflict in the given streams, by record and field."""
        allowed = tuple(streams)
        marks = ", ".join("?" for _ in allowed)
        rows = self._connection.execute(
            "SELECT record, kind, field, open_since_ms, answers FROM open_conflict"  # noqa: S608
            f" WHERE stream IN ({marks}) ORDER BY record, field",
            allowed,
        )
        return [
            KeptConflict(
                record=record,
                kind=kind,
                field=field,
                open_since_ms=open_since_ms,
                answers=_ANSWERS.decode(answers),
            )
            for record, kind, field, open_since_ms, answers in rows
        ]

    def alike_implants(self, window_ms: int) -> Iterator[str]:
        """Yield records that share a serial, or a target within so many milliseconds.

        A first sieve for possible double entries; the rule itself looks closer (DE1-DE3).
        """
        rows = self._connection.execute(
            "SELECT one.record FROM implant AS one JOIN implant AS other"
            " ON other.serial_form = one.serial_form AND other.serial = one.serial"
            " WHERE one.record <> other.record AND one.is_struck = 0 AND other.is_struck = 0"
            " AND one.kind <> 'package_opened' AND other.kind <> 'package_opened'"
            " UNION"
            " SELECT one.record FROM implant AS one JOIN implant AS other"
            " ON other.target = one.target"
            " AND other.written_ms BETWEEN one.written_ms - ? AND one.written_ms + ?"
            " WHERE one.record <> other.record AND one.kind = other.kind"
            " AND one.is_struck = 0 AND other.is_struck = 0"
            " AND (one.slot = other.slot OR (one.slot IS NULL AND other.slot IS NULL)) ORDER BY 1",
            (window_ms, window_ms),
        )
        for row in rows:
            yield str(row[0])


def _with_handles(table: str, row: Row, handles: Mapping[str, int]) -> Row:
    """Return a row as it is kept: in the registry with the handles of the names in it."""
    if table not in BY_HANDLE:
        return row
    named, own = BY_HANDLE[table], handles[row[0]]
    return (*row, own, handles[row[named[0]]]) if named else (*row, own)
