"""Tables beside the log for what screens ask: cases, visits, open conflicts, implants.

Renewed record by record in the transaction that takes an operation in, and equal to what a
rebuild makes of the log (CF4). Transactions are the caller's.
"""

from collections.abc import Container, Iterable, Iterator

import msgspec

from api.storage.any_connection import Connection
from api.storage.outcome_rows import OutcomeRows
from api.storage.view_rows import CONFLICTS, TABLES, Answer, Merged, Row, rows_of, table_of

# Raised by one when a table or what stands in it changes, also when `trace/default` does, under
# whose look-alikes lots are indexed: opening a store then rebuilds it.
VERSION = 6
_ANSWERS = msgspec.json.Decoder(tuple[Answer, ...])


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

    def keep(self, merged: Iterable[Merged], renewed: Container[str]) -> None:
        """Keep what stands in the views of records.

        Parameters
        ----------
        merged : iterable of Merged
            The records as they are now.
        renewed : container of str
            Those of which something may be kept already.
        """
        merged = list(merged)
        records = [found.state.record for found in merged]
        patients = self.outcomes.patients_of(one for one in records if one in renewed)
        gone: dict[str, list[str]] = {table: [] for table in TABLES}
        fresh: dict[str, list[Row]] = {table: [] for table in TABLES}
        for found in merged:
            record = found.state.record
            if record in renewed:
                table = table_of(found.kind)
                for one in (CONFLICTS, *((table,) if table else ())):
                    gone[one].append(record)
            for one, row in rows_of(found):
                fresh[one].append(row)
        for table in TABLES:
            if gone[table]:
                self._connection.execute(
                    f"DELETE FROM {table}"  # noqa: S608
                    " WHERE record IN (SELECT value FROM json_each(?))",
                    (msgspec.json.encode(gone[table]).decode(),),
                )
            if fresh[table]:
                marks = ", ".join("?" for _ in fresh[table][0])
                self._connection.executemany(
                    f"INSERT INTO {table} VALUES ({marks})",  # noqa: S608
                    fresh[table],
                )
        self.outcomes.renew(patients | self.outcomes.patients_of(records))

    def forget(self, records: list[str]) -> None:
        """Drop every row of records of which nothing is held any more."""
        patients = self.outcomes.patients_of(records)
        for table in TABLES:
            self._connection.execute(
                f"DELETE FROM {table}"  # noqa: S608
                " WHERE record IN (SELECT value FROM json_each(?))",
                (msgspec.json.encode(records).decode(),),
            )
        self.outcomes.renew(patients)

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
            for row in self._connection.execute(f"SELECT * FROM {table}"):  # noqa: S608
                kept.setdefault(row[0], []).append((table, tuple(row)))
        return {record: sorted(rows) for record, rows in kept.items()}

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
