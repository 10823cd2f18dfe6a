"""How old what is held is: when the last entry in each record, and in all under it, came."""

from collections.abc import Iterable

import msgspec

from api.storage.any_connection import Connection

_BY_ROOT = (
    "WITH RECURSIVE below(root, id) AS (SELECT name, id FROM record WHERE name > ? || '/'"
    " AND name < ? || '0' UNION SELECT below.root, record_state.record FROM record_state"
    " JOIN below ON record_state.parent = below.id) SELECT below.root, max(received_ms),"
    " count(DISTINCT below.id) FROM below JOIN log_entry ON log_entry.record = below.id"
    " WHERE below.root NOT IN (SELECT record FROM erased_record) GROUP BY below.root"
    " ORDER BY 2, 1"
)


class RecordAges:
    """Ages in SQLite. Transactions are the caller's."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def last_entries(self, kind: str) -> list[tuple[str, int, int]]:
        """Return each record of a kind, when the last entry in its tree came, and the tree's size.

        The oldest first; erased records are left out.
        """
        return self._connection.execute(_BY_ROOT, (kind, kind)).fetchall()

    def set_aside_ms(self) -> list[int]:
        """Return when each text that lies aside came, the oldest first."""
        rows = self._connection.execute("SELECT received_ms FROM quarantine ORDER BY received_ms")
        return [row[0] for row in rows]

    def presence_of(self, device: str) -> tuple[int, int | None] | None:
        """Return since when a device was here and when last, None for one that never joined.

        Who joins a second time was here before: its first entry tells.
        """
        row = self._connection.execute(
            "SELECT joined_ms, (SELECT min(received_ms) FROM log_entry JOIN log"
            " ON log.id = log_entry.log WHERE log.device = device.id), last_seen_ms"
            " FROM device WHERE id = ?",
            (device,),
        ).fetchone()
        if row is None:
            return None
        joined_ms, first_ms, last_seen_ms = row
        return (joined_ms if first_ms is None else min(joined_ms, first_ms), last_seen_ms)

    def first_entry_ms(self, records: Iterable[str]) -> int | None:
        """Return when the first entry on any of some records came, None where none did."""
        row = self._connection.execute(
            "SELECT min(received_ms) FROM log_entry WHERE record IN (SELECT id FROM record"
            " WHERE name IN (SELECT value FROM json_each(?)))",
            (msgspec.json.encode(sorted(records)).decode(),),
        ).fetchone()
        return None if row[0] is None else int(row[0])

    def held_by_then(self, kind: str, streams: tuple[str, ...], until_ms: int) -> list[str]:
        """Return the records of a kind of which streams held an entry by a moment, sorted."""
        marks = ", ".join("?" for _ in streams)
        rows = self._connection.execute(
            "SELECT DISTINCT record.name FROM log_entry JOIN record ON record.id = log_entry.record"  # noqa: S608
            " JOIN stream ON stream.id = log_entry.stream WHERE record.name > ? || '/'"
            f" AND record.name < ? || '0' AND stream.name IN ({marks}) AND received_ms <= ?"
            " ORDER BY record.name",
            (kind, kind, *streams, until_ms),
        )
        return [row[0] for row in rows]
