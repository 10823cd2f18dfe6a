"""Operations that others supplied and that cannot be let in yet: kept and counted."""

from collections.abc import Iterable

import msgspec

from api.storage.any_connection import Connection
from api.storage.erasures import ErasedRecords
from sync.operation import Operation

# No device has a name with a space: who took a file in has vouched for it.
_OF_FILE = "file of "


class WaitingOperation(msgspec.Struct, frozen=True):
    """An operation that waits, with its exact texts and who supplied it.

    It leaves a gap in its log (EX11), or its device has not signed it (SG11).
    """

    device: str
    epoch: str
    counter: int
    envelope: str
    body: str
    supplied_by: str
    received_ms: int

    @property
    def is_vouched(self) -> bool:
        """Whether a person took it in from a file."""
        return self.supplied_by.startswith(_OF_FILE)


_LARGEST_COUNTER = 2**53 - 1
_PARTS = "device, epoch, counter, envelope, body, supplied_by, received_ms"


class WaitingRoom:
    """Waiting operations in SQLite. Transactions are the caller's."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self._erased = ErasedRecords(connection)

    def admit(
        self,
        operation: Operation,
        *,
        supplied_by: str,
        received_ms: int,
        is_vouched: bool = False,
    ) -> None:
        """Let an operation wait; the same one once. Of an erased record no body is kept (ER3).

        ``is_vouched``: a person took it in from a file, which counts from then on.
        """
        (operation,) = self._erased.withhold([operation])
        again = (
            "ON CONFLICT (device, epoch, counter, hash)"
            " DO UPDATE SET supplied_by = excluded.supplied_by"
            if is_vouched
            else "ON CONFLICT DO NOTHING"
        )
        self._connection.execute(
            f"INSERT INTO waiting_operation VALUES (?, ?, ?, ?, ?, ?, ?, ?) {again}",  # noqa: S608
            (
                operation.device,
                operation.epoch,
                operation.counter,
                bytes.fromhex(operation.hash),
                operation.envelope_text,
                operation.body_text or "",
                f"{_OF_FILE}{supplied_by}" if is_vouched else supplied_by,
                received_ms,
            ),
        )

    def find(self, device: str, epoch: str, counter: int, hash_: str) -> WaitingOperation | None:
        """Return one that waits at a place of a log, None where none with this hash does."""
        row = self._connection.execute(
            f"SELECT {_PARTS} FROM waiting_operation"  # noqa: S608
            " WHERE device = ? AND epoch = ? AND counter = ? AND hash = ?",
            (device, epoch, counter, bytes.fromhex(hash_)),
        ).fetchone()
        return WaitingOperation(*row) if row else None

    def is_empty(self, device: str, epoch: str) -> bool:
        """Say whether nothing waits in one log."""
        row = self._connection.execute(
            "SELECT 1 FROM waiting_operation WHERE device = ? AND epoch = ? LIMIT 1",
            (device, epoch),
        ).fetchone()
        return row is None

    def logs(self) -> list[tuple[str, str]]:
        """Return every device and epoch of which something waits."""
        return self._connection.execute(
            "SELECT DISTINCT device, epoch FROM waiting_operation ORDER BY device, epoch"
        ).fetchall()

    def of_log(
        self, device: str, epoch: str, *, up_to: int = _LARGEST_COUNTER
    ) -> list[WaitingOperation]:
        """Return what waits in one log up to a counter, lowest first."""
        rows = self._connection.execute(
            f"SELECT {_PARTS} FROM waiting_operation"  # noqa: S608
            " WHERE device = ? AND epoch = ? AND counter <= ?"
            " ORDER BY counter, hash",
            (device, epoch, up_to),
        )
        return [WaitingOperation(*row) for row in rows]

    def texts(self) -> list[tuple[str, str]]:
        """Return envelope and body of everything that waits."""
        rows = self._connection.execute("SELECT envelope, body FROM waiting_operation")
        return rows.fetchall()

    def release(self, waiting: Iterable[WaitingOperation]) -> None:
        """Forget operations that wait no longer."""
        self._connection.executemany(
            "DELETE FROM waiting_operation WHERE device = ? AND epoch = ? AND envelope = ?",
            [(one.device, one.epoch, one.envelope) for one in waiting],
        )

    def forget(self, operation: Operation) -> None:
        """Let an operation wait no longer, where it does."""
        self._connection.execute(
            "DELETE FROM waiting_operation"
            " WHERE device = ? AND epoch = ? AND counter = ? AND hash = ?",
            (
                operation.device,
                operation.epoch,
                operation.counter,
                bytes.fromhex(operation.hash),
            ),
        )

    def gaps(self) -> dict[str, int]:
        """Return how many operations wait, by log (``device.epoch``)."""
        rows = self._connection.execute(
            "SELECT device || '.' || epoch, count(*) FROM waiting_operation"
            " GROUP BY device, epoch ORDER BY device, epoch"
        )
        return dict(rows.fetchall())
