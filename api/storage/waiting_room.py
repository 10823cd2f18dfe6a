"""Operations that other devices supplied before what lies in front of them: kept and counted."""

from collections.abc import Iterable

import msgspec

from api.storage.any_connection import Connection
from api.storage.erasures import ErasedRecords
from sync.operation import Operation


class WaitingOperation(msgspec.Struct, frozen=True):
    """An operation that leaves a gap in its log, with its exact texts and who supplied it."""

    device: str
    epoch: str
    counter: int
    envelope: str
    body: str
    supplied_by: str
    received_ms: int


class WaitingRoom:
    """Waiting operations in SQLite. Transactions are the caller's."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self._erased = ErasedRecords(connection)

    def admit(self, operation: Operation, *, supplied_by: str, received_ms: int) -> None:
        """Let an operation wait; the same one once. Of an erased record no body is kept (ER3)."""
        (operation,) = self._erased.withhold([operation])
        self._connection.execute(
            "INSERT INTO waiting_operation VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
            (
                operation.device,
                operation.epoch,
                operation.counter,
                bytes.fromhex(operation.hash),
                operation.envelope_text,
                operation.body_text or "",
                supplied_by,
                received_ms,
            ),
        )

    def of_log(self, device: str, epoch: str, *, up_to: int) -> list[WaitingOperation]:
        """Return what waits in one log up to a counter, lowest first."""
        rows = self._connection.execute(
            "SELECT device, epoch, counter, envelope, body, supplied_by, received_ms"
            " FROM waiting_operation WHERE device = ? AND epoch = ? AND counter <= ?"
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

    def gaps(self) -> dict[str, int]:
        """Return how many operations wait, by log (``device.epoch``)."""
        rows = self._connection.execute(
            "SELECT device || '.' || epoch, count(*) FROM waiting_operation"
            " GROUP BY device, epoch ORDER BY device, epoch"
        )
        return dict(rows.fetchall())
