"""What of stream `registry` a unit may read at a hub: what the hub wrote for it, and its own.

Who may read a log of the hub is kept with the log: it is read whole or not at all, so that no
reader finds a gap in it (LG2).
"""

from collections.abc import Iterable

import msgspec

from api.storage.any_connection import Connection
from api.storage.entry_rows import Entry, read_entries
from api.storage.handles import NAMES_AT_ONCE, Handles

# '' stands for every unit.
EVERY_UNIT = ""
_OF_HUB = (
    "log.device = ? AND log.epoch IN"
    " (SELECT registry_reader.epoch FROM registry_reader WHERE registry_reader.unit IN ('', ?))"
)
# Found by log, since of a hub's whole stream next to nothing is the hub's own.
_READABLE = f"log IN (SELECT log.id FROM log WHERE {_OF_HUB})"  # noqa: S608
_READABLE_OR_OWN = f"log IN (SELECT log.id FROM log WHERE ({_OF_HUB}) OR log.device = ?)"  # noqa: S608
# Of entries that are damaged, one after the other, the one before counts.
_LAST_LOOKED_AT = 20


class RegistryEntries:
    """Entries of a hub by their reader. Transactions are the caller's."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self._handles = Handles(connection)

    def keep_readers(self, epoch: str, units: Iterable[str]) -> None:
        """Keep who may read a log of the hub; once kept it stays, since it was handed out."""
        for unit in sorted(set(units)) or [EVERY_UNIT]:
            self._connection.execute(
                "INSERT INTO registry_reader (epoch, unit) VALUES (?, ?) ON CONFLICT DO NOTHING",
                (epoch, unit),
            )

    def readers_of(self, epoch: str) -> tuple[str, ...] | None:
        """Return who may read a log of the hub, () for every unit; None where nobody may yet."""
        rows = self._connection.execute(
            "SELECT unit FROM registry_reader WHERE epoch = ? ORDER BY unit", (epoch,)
        ).fetchall()
        if not rows:
            return None
        return () if rows[0][0] == EVERY_UNIT else tuple(row[0] for row in rows)

    def of_unit(
        self, hub: str, unit: str, *, after: int, limit: int, with_own: bool
    ) -> list[Entry]:
        """Return what a unit may read after a receipt number, oldest first.

        Of its own log also what was set aside, without its text: the log goes on over it.
        """
        readable, values = (
            (_READABLE_OR_OWN, (hub, unit, unit)) if with_own else (_READABLE, (hub, unit))
        )
        # The numbers first, from an index alone: a page reads no entry that is not on it.
        clause = (
            f"WHERE seq IN (SELECT seq FROM log_entry WHERE {readable} AND seq > ?"  # noqa: S608
            " ORDER BY seq LIMIT ?) ORDER BY seq"
        )
        return list(read_entries(self._connection, clause, (*values, after, limit)))

    def head_of_unit(self, hub: str, unit: str) -> int:
        """Return the last receipt number of what a unit may read, 0 for none.

        Of each log its end is looked at alone: receipts are numbered in the order of the log.
        """
        row = self._connection.execute(
            "SELECT max(ends.seq) FROM (SELECT (SELECT seq FROM log_entry"  # noqa: S608
            " WHERE log_entry.log = log.id ORDER BY counter DESC LIMIT 1) AS seq"
            f" FROM log WHERE ({_OF_HUB}) OR log.device = ?) AS ends",
            (hub, unit, unit),
        ).fetchone()
        return int(row[0] or 0)

    def last_of_hub(self, hub: str, unit: str, *, up_to: int) -> str | None:
        """Return the hash of the last sound entry of the hub that a unit reads up to a number."""
        clause = f"WHERE {_READABLE} AND seq <= ? ORDER BY seq DESC LIMIT ?"
        for entry in read_entries(self._connection, clause, (hub, unit, up_to, _LAST_LOOKED_AT)):
            if not entry.trouble and not entry.is_set_aside:
                return entry.operation.hash
        return None

    def of_log_from(self, device: str, epoch: str, *, first: int, limit: int) -> list[Entry]:
        """Return a log from a counter on."""
        clause = (
            "WHERE log = (SELECT id FROM log WHERE device = ? AND epoch = ?) AND counter >= ?"
            " ORDER BY counter LIMIT ?"
        )
        return list(read_entries(self._connection, clause, (device, epoch, first, limit)))

    def writers_of(self, records: Iterable[str]) -> dict[str, set[str]]:
        """Return on each record the devices that have written there what counts.

        One question for a whole push; records on which nothing counts are left out.
        """
        names = {handle: name for name, handle in self._handles.find_records(set(records)).items()}
        found: dict[str, set[str]] = {}
        wanted = sorted(names)
        for start in range(0, len(wanted), NAMES_AT_ONCE):
            some = wanted[start : start + NAMES_AT_ONCE]
            rows = self._connection.execute(
                "SELECT DISTINCT log_entry.record, log.device FROM log_entry"
                " JOIN log ON log.id = log_entry.log WHERE log_entry.record IN"
                " (SELECT CAST(value AS BIGINT) FROM json_each(?))"
                " AND log_entry.is_quarantined = 0",
                (msgspec.json.encode(some).decode(),),
            )
            for handle, device in rows.fetchall():
                found.setdefault(names[handle], set()).add(device)
        return found

    def records_of(self, device: str, epoch: str) -> set[str]:
        """Return the records on which a log writes."""
        rows = self._connection.execute(
            "SELECT DISTINCT record.name FROM log_entry JOIN record ON record.id ="
            " log_entry.record WHERE log_entry.log ="
            " (SELECT id FROM log WHERE device = ? AND epoch = ?)",
            (device, epoch),
        )
        return {str(name) for (name,) in rows.fetchall()}

    def take_out(self, device: str, epoch: str, *, first: int) -> None:
        """Take the end of a log out: it was written again, or nothing of it is to be told on."""
        self._connection.execute(
            "DELETE FROM log_entry WHERE counter >= ? AND"
            " log = (SELECT id FROM log WHERE device = ? AND epoch = ?)",
            (first, device, epoch),
        )
