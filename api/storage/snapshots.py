"""Snapshots: sealed, squeezed segments of each stream, from which a new tablet starts.

A segment is gzip over one line of JSON an operation, ``[seq, envelope, body]``, in the order of
receipt. It is made once, named by SHA-256 over its bytes, and never changed.
"""

import gzip
import hashlib
from itertools import takewhile

import msgspec

from api.storage.any_connection import Connection
from api.storage.entry_rows import Entry
from api.storage.operation_store import OperationStore
from api.storage.p256 import is_signed, write_base64
from api.storage.server_key import ServerKey
from sync.errors import MalformedOperationError
from sync.signing import write_segment_text

# Unit settings (project default): a segment is sealed at either bound, whichever comes first.
SEGMENT_OPERATIONS = 2_000
SEGMENT_BYTES = 4 * 1024 * 1024


class Segment(msgspec.Struct, frozen=True):
    """What a segment holds: operations of one stream, by their receipt numbers.

    ``after`` is where the segment before ends, 0 for the first; ``signature`` is by the unit
    server's key over all of it (SG10), in base64.
    """

    digest: str
    stream: str
    after: int
    first: int
    last: int
    operations: int
    signature: str


def write_segment(entries: list[Entry]) -> bytes:
    """Return the bytes of a segment; the same entries give the same bytes."""
    return gzip.compress(_lines(entries), mtime=0)


def _lines(entries: list[Entry]) -> bytes:
    return b"".join(_line(entry) for entry in entries)


def _line(entry: Entry) -> bytes:
    operation = entry.operation
    return msgspec.json.encode([entry.seq, operation.envelope_text, operation.body_text]) + b"\n"


class SnapshotStore:
    """Segments in SQLite. Transactions are the caller's."""

    def __init__(self, connection: Connection, operations: OperationStore) -> None:
        self._connection = connection
        self._operations = operations

    def segments(self, stream: str) -> list[Segment]:
        """Return the segments of a stream, oldest first."""
        rows = self._connection.execute(
            "SELECT digest, coalesce(lag(last_seq) OVER (ORDER BY last_seq), 0), first_seq,"
            " last_seq, operations, signature FROM segment WHERE stream = ? ORDER BY last_seq",
            (stream,),
        )
        return [
            Segment(digest, stream, after, first, last, operations, write_base64(signature))
            for digest, after, first, last, operations, signature in rows
        ]

    def streams(self) -> list[str]:
        """Return every stream of which there is a segment."""
        rows = self._connection.execute("SELECT DISTINCT stream FROM segment ORDER BY stream")
        return [row[0] for row in rows]

    def clear(self) -> None:
        """Forget every segment; whoever asks for them has them sealed anew."""
        self._connection.execute("DELETE FROM segment")

    def content(self, digest: str) -> tuple[str, bytes] | None:
        """Return stream and bytes of a segment, None for an unknown name."""
        row = self._connection.execute(
            "SELECT stream, content FROM segment WHERE digest = ?", (digest,)
        ).fetchone()
        return (row[0], row[1]) if row else None

    def seal_next(self, stream: str, key: ServerKey) -> bool:
        """Seal the next segment of a stream; False when too few operations wait for it.

        Nothing is signed from a damaged entry on (LG6): what lies there is pulled, entry by entry,
        until a backup is put back.

        Notes
        -----
        Rules SN1, SN2.
        """
        row = self._connection.execute(
            "SELECT max(last_seq) FROM segment WHERE stream = ?", (stream,)
        ).fetchone()
        after = row[0] or 0
        waiting = self._operations.of_stream(stream, after=after, limit=SEGMENT_OPERATIONS)
        sound = takewhile(lambda one: not one.trouble, waiting)
        fitting = cut_segment([len(one.operation.body_text or "") for one in sound])
        if fitting == 0:
            return False
        self._keep(stream, after, waiting[:fitting], key)
        return True

    def judge(self, segment: Segment, key: ServerKey) -> bool:
        """Say whether a segment is what the unit signed; a text that is none of ours is not.

        Notes
        -----
        Rule SG10.
        """
        row = self._connection.execute(
            "SELECT content, signature FROM segment WHERE digest = ?", (segment.digest,)
        ).fetchone()
        try:
            text = write_segment_text(
                segment.digest,
                segment.stream,
                after=segment.after,
                first=segment.first,
                last=segment.last,
                operations=segment.operations,
            )
        except MalformedOperationError:
            return False
        return hashlib.sha256(row[0]).hexdigest() == segment.digest and is_signed(
            key.public_key, text.encode(), row[1]
        )

    def is_of_the_log(self, segment: Segment) -> bool:
        """Say whether a segment that is what the unit signed holds what the log holds there."""
        _, content = self.content(segment.digest) or ("", b"")
        held = self._operations.of_stream(
            segment.stream, after=segment.after, limit=segment.operations
        )
        return gzip.decompress(content) == _lines(held)

    def _keep(self, stream: str, after: int, entries: list[Entry], key: ServerKey) -> None:
        content = write_segment(entries)
        digest = hashlib.sha256(content).hexdigest()
        first, last, count = entries[0].seq, entries[-1].seq, len(entries)
        text = write_segment_text(
            digest, stream, after=after, first=first, last=last, operations=count
        )
        self._connection.execute(
            "INSERT INTO segment VALUES (?, ?, ?, ?, ?, ?, ?)",
            (digest, stream, first, last, count, content, key.sign(text.encode())),
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
