"""The operation log of the unit: appended to, read by stream, never changed."""

import hashlib
import sqlite3
from collections.abc import Iterable, Iterator

import msgspec

from sync.operation import Operation
from sync.operation_log import Tip

_COLUMNS = "device, epoch, counter, stream, record, stamp, previous, commitment, hash, body"


class Receipt(msgspec.Struct, frozen=True):
    """An operation with its receipt number, by which a stream is read."""

    seq: int
    operation: Operation


class Quarantined(msgspec.Struct, frozen=True):
    """An operation that waits for a person, with its exact texts and the reason."""

    op_id: str
    envelope: str
    body: str | None
    sentence: str
    received_ms: int


class OperationStore:
    """Operations in SQLite. Transactions are the caller's (`connection.Database`)."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    def tip_of(self, device: str, epoch: str) -> Tip:
        """Return where a log ends; counter 0 and hash "" when nothing is held."""
        row = self._connection.execute(
            "SELECT counter, hash FROM operation WHERE device = ? AND epoch = ?"
            " ORDER BY counter DESC LIMIT 1",
            (device, epoch),
        ).fetchone()
        return Tip(epoch, row[0], row[1].hex()) if row else Tip(epoch, 0, "")

    def hash_at(self, device: str, epoch: str, counter: int) -> str | None:
        """Return the hash held at one place of a log, None when nothing is held there."""
        row = self._connection.execute(
            "SELECT hash FROM operation WHERE device = ? AND epoch = ? AND counter = ?",
            (device, epoch, counter),
        ).fetchone()
        return row[0].hex() if row else None

    def append(
        self, operations: Iterable[Operation], *, received_ms: int, is_quarantined: bool = False
    ) -> None:
        """Append operations that continue their logs (checked by the caller)."""
        self._connection.executemany(
            f"INSERT INTO operation ({_COLUMNS}, received_ms, is_quarantined)"  # noqa: S608
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [
                (
                    operation.device,
                    operation.epoch,
                    operation.counter,
                    operation.stream,
                    operation.record,
                    operation.stamp,
                    bytes.fromhex(operation.previous),
                    bytes.fromhex(operation.commitment),
                    bytes.fromhex(operation.hash),
                    operation.body_text,
                    received_ms,
                    int(is_quarantined),
                )
                for operation in operations
            ],
        )

    def quarantine(
        self, op_id: str, envelope: str, body: str | None, sentence: str, *, received_ms: int
    ) -> None:
        """Keep the exact texts of an operation that cannot be taken in; the same ones once."""
        digest = _digest_texts(envelope, body)
        self._connection.execute(
            "INSERT INTO quarantine VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
            (digest, op_id, envelope, body, sentence, received_ms),
        )

    def quarantined(self) -> list[Quarantined]:
        """Return what waits for a person, in order of arrival."""
        rows = self._connection.execute(
            "SELECT op_id, envelope, body, sentence, received_ms FROM quarantine ORDER BY rowid"
        )
        return [Quarantined(*row) for row in rows]

    def sentence_about(self, envelope: str) -> str | None:
        """Return why an operation lies in quarantine, None when it does not."""
        row = self._connection.execute(
            "SELECT sentence FROM quarantine WHERE envelope = ?", (envelope,)
        ).fetchone()
        return row[0] if row else None

    def is_set_aside(self, operation: Operation) -> bool:
        """Say whether a log goes on over an operation whose content lies in quarantine."""
        row = self._connection.execute(
            "SELECT is_quarantined FROM operation WHERE device = ? AND epoch = ? AND counter = ?",
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
        """Return each operation whose body is nowhere: op id, and whether it was set aside."""
        rows = self._connection.execute(
            f"SELECT seq, {_COLUMNS}, is_quarantined FROM operation"  # noqa: S608
            " WHERE is_quarantined = 1 OR body IS NULL ORDER BY seq"
        )
        return [
            (operation.op_id, bool(row[-1]))
            for row in rows
            for operation in [_operation(row[:-1])]
            if not (row[-1] and self.sentence_about(operation.envelope_text) is not None)
        ]

    def is_in_quarantine(self, op_id: str, hash_: str) -> bool:
        """Say whether an operation with this hash lies in quarantine."""
        rows = self._connection.execute("SELECT envelope FROM quarantine WHERE op_id = ?", (op_id,))
        return any(hashlib.sha256(row[0].encode()).hexdigest() == hash_ for row in rows)

    def of_record(self, record: str) -> list[Operation]:
        """Return all sound operations on one record, by receipt."""
        return [receipt.operation for receipt in self._read("record = ?", (record,))]

    def count_by_record(self, records: Iterable[str]) -> dict[str, int]:
        """Return how many operations each of several records has, quarantined ones included."""
        return dict(
            self._connection.execute(
                "SELECT record, count(*) FROM operation"
                " WHERE record IN (SELECT value FROM json_each(?)) GROUP BY record",
                (msgspec.json.encode(sorted(set(records))).decode(),),
            )
        )

    def of_records(self, records: Iterable[str]) -> dict[str, list[Operation]]:
        """Return all sound operations on each of several records, by receipt."""
        wanted = msgspec.json.encode(sorted(set(records))).decode()
        found: dict[str, list[Operation]] = {}
        for receipt in self._read("record IN (SELECT value FROM json_each(?))", (wanted,)):
            found.setdefault(receipt.operation.record, []).append(receipt.operation)
        return found

    def of_stream(
        self, stream: str, *, after: int, limit: int, without_device: str | None = None
    ) -> list[Receipt]:
        """Return sound operations of a stream received after a number, oldest first."""
        clause, values = "stream = ? AND seq > ?", [stream, after]
        if without_device is not None:
            clause, values = f"{clause} AND device <> ?", [*values, without_device]
        return list(self._read(clause, (*values, limit), "LIMIT ?"))

    def of_record_tree(
        self, record: str, stream: str, *, after: int, limit: int, without_device: str | None
    ) -> list[Receipt]:
        """Return sound operations of a stream on a record, on all under it, and on its parents."""
        clause = (
            "record IN (WITH RECURSIVE below(record) AS (SELECT ? UNION SELECT record_view.record"
            " FROM record_view JOIN below ON record_view.parent = below.record),"
            " above(record) AS (SELECT ? UNION SELECT record_view.parent FROM record_view"
            " JOIN above ON record_view.record = above.record WHERE record_view.parent IS NOT NULL)"
            " SELECT record FROM below UNION SELECT record FROM above)"
            " AND stream = ? AND seq > ? AND device IS NOT ?"
        )
        values = (record, record, stream, after, without_device, limit)
        return list(self._read(clause, values, "LIMIT ?"))

    def heads(self, streams: Iterable[str]) -> dict[str, int]:
        """Return the last receipt number of each stream, 0 where nothing was received."""
        found: dict[str, int] = {}
        for stream in streams:
            row = self._connection.execute(
                "SELECT max(seq) FROM operation WHERE stream = ?", (stream,)
            ).fetchone()
            found[stream] = row[0] or 0
        return found

    def count(self) -> int:
        """Return how many operations are held."""
        return int(self._connection.execute("SELECT count(*) FROM operation").fetchone()[0])

    def count_sound(self) -> int:
        """Return how many operations are held that do not lie in quarantine."""
        row = self._connection.execute("SELECT count(*) FROM operation WHERE is_quarantined = 0")
        return int(row.fetchone()[0])

    def logs(self) -> list[tuple[str, str]]:
        """Return every device and epoch held."""
        return self._connection.execute(
            "SELECT DISTINCT device, epoch FROM operation ORDER BY device, epoch"
        ).fetchall()

    def counters_of(self, device: str) -> dict[str, int]:
        """Return up to which counter each log of a device is held, by epoch."""
        rows = self._connection.execute(
            "SELECT epoch, max(counter) FROM operation WHERE device = ? GROUP BY epoch", (device,)
        )
        return dict(rows.fetchall())

    def has_log_of(self, device: str) -> bool:
        """Say whether anything made on a device is held."""
        row = self._connection.execute(
            "SELECT 1 FROM operation WHERE device = ? LIMIT 1", (device,)
        ).fetchone()
        return row is not None

    def of_log(self, device: str, epoch: str) -> Iterator[Operation]:
        """Return one log from its first operation, quarantined ones included."""
        rows = self._connection.execute(
            f"SELECT seq, {_COLUMNS} FROM operation"  # noqa: S608
            " WHERE device = ? AND epoch = ? ORDER BY counter",
            (device, epoch),
        )
        for row in rows:
            yield _operation(row)

    def records(self) -> list[str]:
        """Return every record that a sound operation names."""
        rows = self._connection.execute(
            "SELECT DISTINCT record FROM operation WHERE is_quarantined = 0 ORDER BY record"
        )
        return [row[0] for row in rows]

    def _read(self, clause: str, values: tuple[object, ...], tail: str = "") -> Iterator[Receipt]:
        rows = self._connection.execute(
            f"SELECT seq, {_COLUMNS} FROM operation"  # noqa: S608
            f" WHERE {clause} AND is_quarantined = 0 ORDER BY seq {tail}",
            values,
        )
        for row in rows:
            yield Receipt(row[0], _operation(row))


def _digest_texts(envelope: str, body: str | None) -> str:
    return hashlib.sha256(f"{envelope}\n{body}".encode()).hexdigest()


def _operation(row: tuple[object, ...]) -> Operation:
    _, device, epoch, counter, stream, record, stamp, previous, commitment, hash_, body = row
    assert isinstance(previous, bytes)  # noqa: S101  STRICT tables guarantee the types
    assert isinstance(commitment, bytes)  # noqa: S101
    assert isinstance(hash_, bytes)  # noqa: S101
    return Operation(
        op_id=f"{device}.{epoch}.{counter}",
        device=str(device),
        epoch=str(epoch),
        counter=int(str(counter)),
        previous=previous.hex(),
        stream=str(stream),
        record=str(record),
        stamp=str(stamp),
        commitment=commitment.hex(),
        hash=hash_.hex(),
        body_text=None if body is None else str(body),
    )
