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
        digest = hashlib.sha256(f"{envelope}\n{body}".encode()).hexdigest()
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

    def of_record(self, record: str) -> list[Operation]:
        """Return all sound operations on one record, by receipt."""
        return [receipt.operation for receipt in self._read("record = ?", (record,))]

    def of_stream(
        self, stream: str, *, after: int, limit: int, without_device: str | None = None
    ) -> list[Receipt]:
        """Return sound operations of a stream received after a number, oldest first."""
        clause, values = "stream = ? AND seq > ?", [stream, after]
        if without_device is not None:
            clause, values = f"{clause} AND device <> ?", [*values, without_device]
        return list(self._read(clause, (*values, limit), "LIMIT ?"))

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

    def logs(self) -> list[tuple[str, str]]:
        """Return every device and epoch held."""
        return self._connection.execute(
            "SELECT DISTINCT device, epoch FROM operation ORDER BY device, epoch"
        ).fetchall()

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
