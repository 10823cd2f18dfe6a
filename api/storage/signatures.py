"""Keys of devices and the signed heads of their logs."""

import msgspec

from api.storage.any_connection import Connection
from api.storage.p256 import is_signed, name_key
from sync.signing import write_head_text


class DeviceKey(msgspec.Struct, frozen=True):
    """A public key that a device enrolled.

    Parameters
    ----------
    from_epoch : str
        Epoch of the device's log from which the key holds (SG5).
    after_seq : int
        Last receipt number when it was enrolled: what the device sent later is signed.
    """

    key_id: str
    device: str
    public_key: bytes
    from_epoch: str
    after_seq: int


class SignedHead(msgspec.Struct, frozen=True):
    """A head of a log that was signed, and by which key."""

    device: str
    epoch: str
    counter: int
    hash: str
    key_id: str
    signature: bytes


def is_head_signed(head: SignedHead, key: DeviceKey) -> bool:
    """Say whether a key signed a head.

    Raises
    ------
    MalformedOperationError
        It is no head of a log.

    Notes
    -----
    Rules SG1, SG2.
    """
    text = write_head_text(head.device, head.epoch, head.counter, head.hash)
    return is_signed(key.public_key, text.encode(), head.signature)


def _read_head(row: tuple[str, str, int, bytes, str, bytes]) -> SignedHead:
    device, epoch, counter, hash_, key_id, signature = row
    return SignedHead(device, epoch, counter, hash_.hex(), key_id, signature)


_NO_END = 2**53 - 1
# Over an operation that is held: of two branches of a log both heads are kept.
_HELD_HEAD = (
    "device = ? AND epoch = ? AND hash = (SELECT log_entry.hash FROM log_entry"
    " WHERE log_entry.log = (SELECT log.id FROM log WHERE log.device = head_signature.device"
    " AND log.epoch = head_signature.epoch) AND log_entry.counter = head_signature.counter)"
)
_HEAD = "device, epoch, counter, hash, key_id, signature"


class SignatureStore:
    """Keys and signed heads in SQLite. Transactions are the caller's."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def enrol(self, device: str, public_key: bytes, from_epoch: str) -> bool:
        """Keep a device's newest key; say False when it is another device's or was replaced.

        The key that the device has already stays as it was enrolled.
        """
        key_id = name_key(public_key)
        row = self._connection.execute(
            "SELECT device FROM device_key WHERE key_id = ?", (key_id,)
        ).fetchone()
        if row is not None:
            newest = self.newest_key_of(device)
            return newest is not None and newest.key_id == key_id
        self._connection.execute(
            "INSERT INTO device_key (key_id, device, public_key, from_epoch, after_seq)"
            " VALUES (?, ?, ?, ?, (SELECT coalesce(max(seq), 0) FROM log_entry))",
            (key_id, device, public_key, from_epoch),
        )
        return True

    def keys_of(self, device: str) -> list[DeviceKey]:
        """Return a device's keys, oldest first."""
        rows = self._connection.execute(
            "SELECT key_id, device, public_key, from_epoch, after_seq FROM device_key"
            " WHERE device = ? ORDER BY number",
            (device,),
        )
        return [DeviceKey(*row) for row in rows]

    def newest_key_of(self, device: str) -> DeviceKey | None:
        """Return the key that a device signs with now, None for one that has none."""
        keys = self.keys_of(device)
        return keys[-1] if keys else None

    def keep_head(self, head: SignedHead) -> None:
        """Keep a signed head; the first signature of a key over it stays."""
        self._connection.execute(
            f"INSERT INTO head_signature ({_HEAD}) VALUES (?, ?, ?, ?, ?, ?)"  # noqa: S608
            " ON CONFLICT DO NOTHING",
            (
                head.device,
                head.epoch,
                head.counter,
                bytes.fromhex(head.hash),
                head.key_id,
                head.signature,
            ),
        )

    def heads_waiting(self, device: str, epoch: str) -> list[SignedHead]:
        """Return the signed heads of one log over operations that wait, lowest first."""
        rows = self._connection.execute(
            f"SELECT {_HEAD} FROM waiting_operation"  # noqa: S608
            " JOIN head_signature USING (device, epoch, counter, hash)"
            " WHERE device = ? AND epoch = ? ORDER BY counter, hash, key_id",
            (device, epoch),
        )
        return [_read_head(row) for row in rows]

    def heads_over(self, device: str, epoch: str, *, lowest: int, highest: int) -> list[SignedHead]:
        """Return the signed heads that cover a stretch of a log, lowest first (SG12).

        They are the first one from its highest place on and, where that lies above it, the last one
        within the stretch. Over what is held alone, not over a second branch.
        """
        first = self._place_of_head("ASC", device, epoch, highest, _NO_END)
        within = None
        if first != highest:
            within = self._place_of_head("DESC", device, epoch, lowest, highest)
        return [
            head
            for counter in (within, first)
            if counter is not None
            for head in self._heads_at(device, epoch, counter)
        ]

    def _place_of_head(
        self, order: str, device: str, epoch: str, lowest: int, highest: int
    ) -> int | None:
        # By the index: it stops at the first one, however many follow.
        row = self._connection.execute(
            f"SELECT counter FROM head_signature WHERE {_HELD_HEAD}"  # noqa: S608
            f" AND counter BETWEEN ? AND ? ORDER BY counter {order} LIMIT 1",
            (device, epoch, lowest, highest),
        ).fetchone()
        return row[0] if row else None

    def _heads_at(self, device: str, epoch: str, counter: int) -> list[SignedHead]:
        rows = self._connection.execute(
            f"SELECT {_HEAD} FROM head_signature WHERE {_HELD_HEAD}"  # noqa: S608
            " AND counter = ? ORDER BY key_id",
            (device, epoch, counter),
        )
        return [_read_head(row) for row in rows]

    def heads_of_log(self, device: str, epoch: str) -> list[SignedHead]:
        """Return the signed heads of one log, lowest first; those of a second branch too."""
        rows = self._connection.execute(
            f"SELECT {_HEAD} FROM head_signature"  # noqa: S608
            " WHERE device = ? AND epoch = ? ORDER BY counter, hash, key_id",
            (device, epoch),
        )
        return [_read_head(row) for row in rows]

    def forget_log(self, device: str, epoch: str) -> None:
        """Forget what was signed of a log that was taken out whole."""
        for table in ("head_signature", "resupplied_log"):
            self._connection.execute(
                f"DELETE FROM {table} WHERE device = ? AND epoch = ?",  # noqa: S608
                (device, epoch),
            )

    def signed_logs(self) -> list[tuple[str, str]]:
        """Return every device and epoch of which a signed head is kept."""
        return self._connection.execute(
            "SELECT DISTINCT device, epoch FROM head_signature ORDER BY device, epoch"
        ).fetchall()

    def note_resupplied(self, device: str, epoch: str, counter: int) -> None:
        """Note that a log is held up to a counter by way of another device, unsigned so far."""
        self._connection.execute(
            "INSERT INTO resupplied_log VALUES (?, ?, ?) ON CONFLICT (device, epoch)"
            " DO UPDATE SET counter = excluded.counter"
            " WHERE excluded.counter > resupplied_log.counter",
            (device, epoch, counter),
        )

    def resupplied_up_to(self, device: str, epoch: str) -> int:
        """Return the counter up to which a log came by way of another device, else 0."""
        row = self._connection.execute(
            "SELECT counter FROM resupplied_log WHERE device = ? AND epoch = ?", (device, epoch)
        ).fetchone()
        return int(row[0]) if row else 0

    def last_counter_after(self, device: str, epoch: str, seq: int) -> int:
        """Return the highest counter of a log that was received after a receipt number, else 0."""
        row = self._connection.execute(
            "SELECT max(counter) FROM log_entry"
            " WHERE log = (SELECT id FROM log WHERE device = ? AND epoch = ?) AND seq > ?",
            (device, epoch, seq),
        ).fetchone()
        return int(row[0] or 0)
