"""Snapshots: sealed, squeezed segments of each stream, from which a new tablet starts.

A segment is gzip over one line of JSON an operation, ``[seq, envelope, body]``, in the order of
receipt. It is made once, named by SHA-256 over its bytes, and never changed.
"""

import gzip
import hashlib
import sqlite3

import msgspec

from api.storage.operation_store import OperationStore, Receipt
from api.storage.server_key import ServerKey

# Unit settings (project default): a segment is sealed at either bound, whichever comes first.
SEGMENT_OPERATIONS = 2_000
SEGMENT_BYTES = 4 * 1024 * 1024


class Segment(msgspec.Struct, frozen=True):
    """What a segment holds: operations of one stream, by their receipt numbers.

    ``signature`` is by the unit server's key over `segment_text`, 128 hexadecimal digits.
    """

    digest: str
    stream: str
    first: int
    last: int
    operations: int
    signature: str


def segment_text(digest: str, stream: str, first: int, last: int, operations: int) -> str:
    """Return the text that the unit server signs for a segment."""
    return f"crura-segment\n{digest}\n{stream}\n{first}\n{last}\n{operations}"


def write_segment(receipts: list[Receipt]) -> bytes:
    """Return the bytes of a segment; the same receipts give the same bytes."""
    lines = b"".join(_line(receipt) for receipt in receipts)
    return gzip.compress(lines, mtime=0)


def _line(receipt: Receipt) -> bytes:
    operation = receipt.operation
    return msgspec.json.encode([receipt.seq, operation.envelope_text, operation.body_text]) + b"\n"


class SnapshotStore:
    """Segments in SQLite. Transactions are the caller's."""

    def __init__(self, connection: sqlite3.Connection, operations: OperationStore) -> None:
        self._connection = connection
        self._operations = operations

    def segments(self, stream: str) -> list[Segment]:
        """Return the segments of a stream, oldest first."""
        rows = self._connection.execute(
            "SELECT digest, stream, first_seq, last_seq, operations, lower(hex(signature))"
            " FROM segment WHERE stream = ? ORDER BY last_seq",
            (stream,),
        )
        return [Segment(*row) for row in rows]

    def content(self, digest: str) -> tuple[str, bytes] | None:
        """Return stream and bytes of a segment, None for an unknown name."""
        row = self._connection.execute(
            "SELECT stream, content FROM segment WHERE digest = ?", (digest,)
        ).fetchone()
        return (row[0], row[1]) if row else None

    def seal_next(self, stream: str, key: ServerKey) -> bool:
        """Seal the next segment of a stream; False when too few operations wait for it.

        Notes
        -----
        Rules SN1, SN2.
        """
        row = self._connection.execute(
            "SELECT max(last_seq) FROM segment WHERE stream = ?", (stream,)
        ).fetchone()
        waiting = self._operations.of_stream(stream, after=row[0] or 0, limit=SEGMENT_OPERATIONS)
        fitting = cut_segment([len(one.operation.body_text or "") for one in waiting])
        if fitting == 0:
            return False
        self._keep(stream, waiting[:fitting], key)
        return True

    def _keep(self, stream: str, receipts: list[Receipt], key: ServerKey) -> None:
        content = write_segment(receipts)
        digest = hashlib.sha256(content).hexdigest()
        first, last = receipts[0].seq, receipts[-1].seq
        signature = key.sign(segment_text(digest, stream, first, last, len(receipts)).encode())
        self._connection.execute(
            "INSERT INTO segment VALUES (?, ?, ?, ?, ?, ?, ?)",
            (digest, stream, first, last, len(receipts), content, signature),
        )


def cut_segment(sizes: list[int]) -> int:
    """Return how many waiting operations, by letters of body, the next segment takes (SN1).

    Examples
    --------
    >>> cut_segment([10] * 1_999), cut_segment([10] * 2_000)
    (0, 2000)
    >>> cut_segment([SEGMENT_BYTES, 10])
    1
    """
    total = 0
    for count, size in enumerate(sizes, start=1):
        total += size
        if total >= SEGMENT_BYTES or count == SEGMENT_OPERATIONS:
            return count
    return 0
