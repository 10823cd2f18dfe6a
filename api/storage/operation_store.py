"""The operation log of the unit: appended to, read by stream, never changed."""

import hashlib
from collections.abc import Collection, Iterable, Iterator
from typing import NamedTuple

import msgspec

from api.storage.any_connection import Connection
from api.storage.entry_rows import Entry, append_entries, read_entries
from api.storage.erasures import ErasedRecords
from api.storage.handles import EnteredRecords, Handles
from sync.operation import Operation
from sync.operation_log import Tip

_OF_LOG = "log = (SELECT id FROM log WHERE device = ? AND epoch = ?)"
_HAS_ENTRIES = "EXISTS (SELECT 1 FROM log_entry WHERE log_entry.log = log.id)"
# Of entries that are damaged, one after the other, the one before counts.
_LAST_LOOKED_AT = 20
_OF_STREAM = "log_entry.stream = (SELECT id FROM stream WHERE name = ?)"


# How many entries one call looks through for damage: a few milliseconds.
LOOKED_THROUGH_AT_ONCE = 250


class Damaged(msgspec.Struct, frozen=True, order=True):
    """An entry of the log whose texts are not those that its hash stands for, or are gone (LG6)."""

    seq: int
    op_id: str
    received_ms: int


class Quarantined(msgspec.Struct, frozen=True):
    """An operation that waits for a person, with its exact texts and the reason."""

    op_id: str
    envelope: str
    body: str | None
    sentence: str
    received_ms: int


class HeldPlace(NamedTuple):
    """What is held at one place of a log: its hash, and whether its content was set aside."""

    hash: str
    is_set_aside: bool


class OperationStore:
    """Operations in the database. Transactions are the caller's (`any_connection.AnyDatabase`)."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self._handles = Handles(connection)
        self._erased = ErasedRecords(connection)
        self._damaged: dict[int, str] = {}
        self._looked_through_to = 0

    def tip_of(self, device: str, epoch: str) -> Tip:
        """Return where a log ends; counter 0 and hash "" when nothing is held."""
        row = self._connection.execute(
            f"SELECT counter, hash FROM log_entry WHERE {_OF_LOG}"  # noqa: S608
            " ORDER BY counter DESC LIMIT 1",
            (device, epoch),
        ).fetchone()
        return Tip(epoch, row[0], row[1].hex()) if row else Tip(epoch, 0, "")

    def hash_at(self, device: str, epoch: str, counter: int) -> str | None:
        """Return the hash held at one place of a log, None when nothing is held there."""
        row = self._connection.execute(
            f"SELECT hash FROM log_entry WHERE {_OF_LOG} AND counter = ?",  # noqa: S608
            (device, epoch, counter),
        ).fetchone()
        return row[0].hex() if row else None

    def held_at(self, device: str, epoch: str, counters: Collection[int]) -> dict[int, HeldPlace]:
        """Return what is held at places of a log; those at which nothing is are left out."""
        rows = self._connection.execute(
            f"SELECT counter, hash, is_quarantined FROM log_entry WHERE {_OF_LOG}"  # noqa: S608
            " AND counter IN (SELECT CAST(value AS BIGINT) FROM json_each(?))",
            (device, epoch, msgspec.json.encode(sorted(counters)).decode()),
        )
        return {counter: HeldPlace(hash_.hex(), bool(aside)) for counter, hash_, aside in rows}

    def append(
        self, operations: Collection[Operation], *, received_ms: int, is_quarantined: bool = False
    ) -> EnteredRecords:
        """Append operations that continue their logs (checked by the caller).

        Of erased records no body is kept (ER3).
        """
        operations = self._erased.withhold(operations)
        records = self._handles.enter_records(
            (one.record for one in operations), lowest=self._connection.open_handles(received_ms)
        )
        append_entries(
            self._connection,
            operations,
            records.by_name,
            received_ms=received_ms,
            is_quarantined=is_quarantined,
        )
        return records

    def quarantine(
        self, op_id: str, envelope: str, body: str | None, sentence: str, *, received_ms: int
    ) -> None:
        """Keep the exact texts of an operation that cannot be taken in; the same ones once.

        Of erased records no body is kept (ER3).
        """
        if not self._erased.may_keep_body(envelope):
            body = None
        digest = _digest_texts(envelope, body)
        self._connection.execute(
            "INSERT INTO quarantine VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
            (digest, op_id, envelope, body, sentence, received_ms),
        )

    def quarantined(self, *, of_device: str = "") -> list[Quarantined]:
        """Return what waits for a person, in order of arrival; of one device where it is named."""
        rows = self._connection.execute(
            "SELECT op_id, envelope, body, sentence, received_ms FROM quarantine"
            " WHERE op_id LIKE ? ORDER BY rowid",
            (f"{of_device}.%" if of_device else "%",),
        )
        return [Quarantined(*row) for row in rows]

    def count_quarantined(self) -> int:
        """Return how many entries wait for a person."""
        row = self._connection.execute("SELECT count(*) FROM quarantine").fetchone()
        return int(row[0])

    def sentence_about(self, envelope: str) -> str | None:
        """Return why an operation lies in quarantine, None when it does not."""
        row = self._connection.execute(
            "SELECT sentence FROM quarantine WHERE envelope = ?", (envelope,)
        ).fetchone()
        return row[0] if row else None

    def is_set_aside(self, operation: Operation) -> bool:
        """Say whether a log goes on over an operation whose content lies in quarantine."""
        row = self._connection.execute(
            f"SELECT is_quarantined FROM log_entry WHERE {_OF_LOG} AND counter = ?",  # noqa: S608
            (operation.device, operation.epoch, operation.counter),
        ).fetchone()
        return row is not None and bool(row[0])

    def altered_in_quarantine(self) -> list[str]:
        """Return the op ids of quarantined texts that are not those that were put there."""
        rows = self._connection.execute(
            "SELECT digest, op_id, envelope, body FROM quarantine ORDER BY rowid"
        )
        return [row[1] for row in rows if row[0] != _digest_texts(row[2], row[3])]

    def without_texts(self) -> list[tuple[str, bool]]:
        """Return each operation whose body is nowhere: op id, and whether it was set aside.

        Those of erased records are meant to be so.
        """
        erased = self._erased.listed()
        clause = "WHERE is_quarantined = 1 OR bodies IS NULL ORDER BY seq"
        return [
            (entry.operation.op_id, entry.is_set_aside)
            for entry in self._entries(clause)
            if entry.operation.record not in erased
            and not (
                entry.is_set_aside
                and self.sentence_about(entry.operation.envelope_text) is not None
            )
        ]

    def damaged(self) -> list[Damaged]:
        """Return the damaged entries that any reading has met since the store was opened.

        Each call looks through some more of the log, so that all of it comes round.

        Notes
        -----
        Rule LG6.
        """
        clause = "WHERE seq > ? ORDER BY seq LIMIT ?"
        seen = list(self._entries(clause, (self._looked_through_to, LOOKED_THROUGH_AT_ONCE)))
        is_round_over = len(seen) < LOOKED_THROUGH_AT_ONCE
        self._looked_through_to = 0 if is_round_over else seen[-1].seq
        found = []
        for seq, op_id in sorted(self._damaged.items()):
            row = self._connection.execute(
                "SELECT received_ms FROM log_entry WHERE seq = ?", (seq,)
            ).fetchone()
            if row is not None:
                found.append(Damaged(seq, op_id, row[0]))
        return found

    def is_in_quarantine(self, op_id: str, hash_: str) -> bool:
        """Say whether an operation with this hash lies in quarantine."""
        rows = self._connection.execute("SELECT envelope FROM quarantine WHERE op_id = ?", (op_id,))
        return any(hashlib.sha256(row[0].encode()).hexdigest() == hash_ for row in rows)

    def of_record(self, record: str) -> list[Operation]:
        """Return all sound operations on one record, by receipt."""
        clause = "log_entry.record = (SELECT id FROM record WHERE name = ?)"
        return [one.operation for one in self._read(clause, (record,)) if not one.trouble]

    def of_records(self, records: Iterable[str]) -> dict[str, list[Operation]]:
        """Return all sound operations on each of several records, by receipt."""
        found: dict[str, list[Operation]] = {}
        for one in self.in_order(records):
            found.setdefault(one.record, []).append(one)
        return found

    def in_order(self, records: Iterable[str]) -> list[Operation]:
        """Return all sound operations on several records together, by receipt."""
        handles = self._handles.find_records(set(records))
        wanted = msgspec.json.encode(sorted(handles.values())).decode()
        clause = "log_entry.record IN (SELECT CAST(value AS BIGINT) FROM json_each(?))"
        return [one.operation for one in self._read(clause, (wanted,)) if not one.trouble]

    def of_stream(
        self, stream: str, *, after: int, limit: int, without_device: str | None = None
    ) -> list[Entry]:
        """Return what a stream received after a number, oldest first; nothing that was set aside.

        Damaged ones are among them and say so: whoever hands them out decides (LG6).
        """
        clause, values = f"{_OF_STREAM} AND seq > ?", [stream, after]
        if without_device is not None:
            clause, values = f"{clause} AND device <> ?", [*values, without_device]
        return list(self._read(clause, (*values, limit), "LIMIT ?"))

    def last_of_others(self, stream: str, *, up_to: int, device: str) -> str | None:
        """Return the hash of the last sound entry that a device reads up to a receipt number.

        None where there is none, or where the last few are all damaged (LG6).
        """
        clause = f"{_OF_STREAM} AND seq <= ? AND device <> ?"
        for entry in self._read(clause, (stream, up_to, device, _LAST_LOOKED_AT), "DESC LIMIT ?"):
            if not entry.trouble:
                return entry.operation.hash
        return None

    def of_record_tree(
        self, record: str, stream: str, *, after: int, limit: int, without_device: str | None
    ) -> list[Entry]:
        """Return the same of a record, of all under it, and of its parents."""
        # The plus keeps SQLite from walking the whole stream for the few records of a case.
        clause = (
            "log_entry.record IN (WITH RECURSIVE below(id) AS (SELECT id FROM record"  # noqa: S608
            " WHERE name = ? UNION SELECT record_state.record FROM record_state"
            " JOIN below ON record_state.parent = below.id), above(id) AS (SELECT id FROM record"
            " WHERE name = ? UNION SELECT record_state.parent FROM record_state"
            " JOIN above ON record_state.record = above.id WHERE record_state.parent IS NOT NULL)"
            " SELECT id FROM below UNION SELECT id FROM above)"
            f" AND +{_OF_STREAM} AND seq > ? AND device IS NOT ?"
        )
        values = (record, record, stream, after, without_device, limit)
        return list(self._read(clause, values, "LIMIT ?"))

    def heads(self, streams: Iterable[str]) -> dict[str, int]:
        """Return the last receipt number of each stream, 0 where nothing was received."""
        found: dict[str, int] = {}
        for stream in streams:
            row = self._connection.execute(
                f"SELECT max(seq) FROM log_entry WHERE {_OF_STREAM}",  # noqa: S608
                (stream,),
            ).fetchone()
            found[stream] = row[0] or 0
        return found

    def count(self) -> int:
        """Return how many operations are held."""
        return int(self._connection.execute("SELECT count(*) FROM log_entry").fetchone()[0])

    def count_sound(self) -> int:
        """Return how many operations are held that do not lie in quarantine."""
        row = self._connection.execute("SELECT count(*) FROM log_entry WHERE is_quarantined = 0")
        return int(row.fetchone()[0])

    def logs(self) -> list[tuple[str, str]]:
        """Return every device and epoch held."""
        # Of the handles, then whether anything is held: no walk over the whole log.
        return self._connection.execute(
            f"SELECT device, epoch FROM log WHERE {_HAS_ENTRIES} ORDER BY device, epoch"  # noqa: S608
        ).fetchall()

    def counters_of(self, device: str) -> dict[str, int]:
        """Return up to which counter each log of a device is held, by epoch."""
        rows = self._connection.execute(
            "SELECT epoch, (SELECT max(counter) FROM log_entry WHERE log = log.id) FROM log"  # noqa: S608
            f" WHERE device = ? AND {_HAS_ENTRIES} ORDER BY epoch",
            (device,),
        )
        return dict(rows.fetchall())

    def has_log_of(self, device: str) -> bool:
        """Say whether anything made on a device is held."""
        return bool(self.counters_of(device))

    def of_log(self, device: str, epoch: str) -> Iterator[Operation]:
        """Return one log from its first operation, quarantined and damaged ones included."""
        for entry in self.entries_of_log(device, epoch):
            yield entry.operation

    def entries_of_log(self, device: str, epoch: str) -> Iterator[Entry]:
        """Return one log as it lies here; a damaged entry says so (LG6)."""
        return self._entries(f"WHERE {_OF_LOG} ORDER BY counter", (device, epoch))

    def records(self) -> list[str]:
        """Return every record that a sound operation names."""
        rows = self._connection.execute(
            "SELECT name FROM record WHERE EXISTS (SELECT 1 FROM log_entry"
            " WHERE log_entry.record = record.id AND is_quarantined = 0) ORDER BY name"
        )
        return [row[0] for row in rows]

    def entries_without_log(self) -> int:
        """Return how many entries name a log that is not there: none in a whole store."""
        row = self._connection.execute(
            "SELECT count(*) FROM log_entry WHERE log NOT IN (SELECT id FROM log)"
        )
        return int(row.fetchone()[0])

    def _read(self, clause: str, values: tuple[object, ...], tail: str = "") -> Iterator[Entry]:
        return self._entries(f"WHERE {clause} AND is_quarantined = 0 ORDER BY seq {tail}", values)

    def _entries(self, clause: str, values: tuple[object, ...] = ()) -> Iterator[Entry]:
        for entry in read_entries(self._connection, clause, values):
            if entry.trouble:
                self._damaged[entry.seq] = entry.operation.op_id
            elif self._damaged:
                self._damaged.pop(entry.seq, None)
            yield entry


def _digest_texts(envelope: str, body: str | None) -> str:
    return hashlib.sha256(f"{envelope}\n{body}".encode()).hexdigest()
