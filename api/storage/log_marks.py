"""Marks on logs: where two branches part, and where the log of a revoked device ends."""

import msgspec

from api.storage.any_connection import Connection
from sync.operation_log import Tip


class Fork(msgspec.Struct, frozen=True):
    """Two operations under one id: the lowest counter at which it was seen, and both hashes."""

    device: str
    epoch: str
    counter: int
    held_hash: str
    other_hash: str
    noted_ms: int

    @property
    def sentence(self) -> str:
        """The alarm for a person."""
        return (
            f"Two devices wrote as {self.device}: {self.device}.{self.epoch}.{self.counter} exists "
            "in two versions (a copied or restored tablet). Both are kept; find the second device."
        )


class LogMarks:
    """Forks and ends of revoked logs in SQLite. Transactions are the caller's."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def note_fork(self, held: Tip, other_hash: str, *, device: str, noted_ms: int) -> None:
        """Keep the proof of a fork: of one log the lowest counter at which it was seen."""
        self._connection.execute(
            "INSERT INTO fork VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (device, epoch) DO UPDATE SET"
            " counter = excluded.counter, held_hash = excluded.held_hash,"
            " other_hash = excluded.other_hash WHERE excluded.counter < fork.counter",
            (
                device,
                held.epoch,
                held.counter,
                bytes.fromhex(held.hash),
                bytes.fromhex(other_hash),
                noted_ms,
            ),
        )

    def forks(self) -> list[Fork]:
        """Return every fork, in the order in which they were noted."""
        rows = self._connection.execute(
            "SELECT device, epoch, counter, held_hash, other_hash, noted_ms"
            " FROM fork ORDER BY rowid"
        )
        return [
            Fork(device, epoch, counter, held.hex(), other.hex(), noted_ms)
            for device, epoch, counter, held, other, noted_ms in rows
        ]

    def is_forked_before(self, device: str, epoch: str, counter: int) -> bool:
        """Say whether two branches of a log part below a counter."""
        row = self._connection.execute(
            "SELECT 1 FROM fork WHERE device = ? AND epoch = ? AND counter < ?",
            (device, epoch, counter),
        ).fetchone()
        return row is not None

    def end_log(self, device: str, tip: Tip) -> None:
        """Keep where a log of a revoked device ends; the first end stays."""
        self._connection.execute(
            "INSERT INTO revoked_log VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING",
            (device, tip.epoch, tip.counter, bytes.fromhex(tip.hash)),
        )

    def end_of(self, device: str, epoch: str) -> int:
        """Return the last counter of a revoked log that counts; 0 for an epoch begun later."""
        row = self._connection.execute(
            "SELECT counter FROM revoked_log WHERE device = ? AND epoch = ?", (device, epoch)
        ).fetchone()
        return int(row[0]) if row else 0
