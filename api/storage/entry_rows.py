"""Rows of the log table and the operations that they hold, in both directions."""

import hashlib
from collections.abc import Iterable, Iterator
from itertools import islice
from typing import Any

import msgspec

from api.storage.any_connection import Connection, Statements
from api.storage.handles import Handles
from api.storage.squeezed_bodies import (
    DamagedBodiesError,
    cut_pieces,
    squeeze_bodies,
    unpack_bodies,
)
from sync.operation import Operation

# Left joins: an entry whose handle means nothing any more has to be found, not to vanish.
_SELECT = (
    "SELECT seq, device, epoch, counter, stream.name, record.name, stamp, hash, bodies, place,"
    " commitment, is_quarantined, (SELECT before.hash FROM log_entry AS before"
    " WHERE before.log = log_entry.log AND before.counter = log_entry.counter - 1)"
    " FROM log_entry LEFT JOIN log ON log.id = log_entry.log"
    " LEFT JOIN stream ON stream.id = log_entry.stream"
    " LEFT JOIN record ON record.id = log_entry.record"
)
# What no text hashes to: stands for a hash that is lost, so that whoever reads it refuses it.
_LOST = bytes(32)
_STAMP_UNIT = 100_000
# Pieces of so many rows are fetched with one statement, of the first row alone.
_ROWS_AT_ONCE = 256
_GROWS = 8
_MAX_INTEGER = 2**63 - 1

Row = tuple[object, ...]


class Entry(msgspec.Struct, frozen=True, gc=False):
    """An operation in its place in the log.

    ``seq`` is its receipt number. ``trouble`` is a sentence where its texts are not those that its
    hash stands for, or are gone; it then bears a commitment that no body fits, so that nobody
    takes it for sound (LG6).
    """

    seq: int
    operation: Operation
    is_set_aside: bool
    trouble: str = ""


def read_entries(
    connection: Connection, clause: str, values: tuple[object, ...] = ()
) -> Iterator[Entry]:
    """Yield the entries of the rows of a clause; one that is damaged says so and stops no other.

    Notes
    -----
    Rules OP3, LG6. Parts of the envelope are not kept but follow from others: only the hash that
    was kept tells whether they are what they were.
    """
    bodies = _BodyReader(connection)
    for rows in _parts_of(iter(connection.execute(f"{_SELECT} {clause}", values))):
        bodies.fetch({row[8] for row in rows if row[8] is not None})
        for row in rows:
            operation, trouble = _read_operation(row, bodies)
            if not trouble and not _has_its_hash(operation):
                operation = _as_written(connection, operation, bodies)
                if not _has_its_hash(operation):
                    trouble = (
                        f"What is stored as {operation.op_id} is not what its hash says: it was "
                        "changed here. Restore the store from a backup; the devices send the rest "
                        "again."
                    )
            if trouble:
                operation = msgspec.structs.replace(operation, commitment=_LOST.hex())
            yield Entry(row[0], operation, bool(row[11]), trouble)


def _parts_of(rows: Iterator[Any]) -> Iterator[list[Any]]:
    """Yield rows in parts that grow: who looks for the last sound entry needs no second one."""
    count = 1
    while some := list(islice(rows, count)):
        yield some
        count = min(count * _GROWS, _ROWS_AT_ONCE)


def _read_operation(row: tuple[Any, ...], bodies: "_BodyReader") -> tuple[Operation, str]:
    """Return what a row holds, and a sentence where its body cannot be read."""
    _, device, epoch, counter, stream, record, stamp, hash_, piece, place = row[:10]
    op_id = f"{device}.{epoch}.{counter}"
    body, trouble = None, ""
    if piece is not None:
        try:
            body = bodies.text_at(piece, place, op_id)
        except DamagedBodiesError as error:
            trouble = str(error)
    operation = Operation(
        op_id=op_id,
        device=str(device),
        epoch=str(epoch),
        counter=counter,
        previous="" if counter == 1 else (row[12] or _LOST).hex(),
        stream=str(stream),
        record=str(record),
        stamp=_read_stamp(stamp, device),
        commitment=(row[10] or _LOST).hex() if body is None else _sha256(body),
        hash=hash_.hex(),
        body_text=body,
    )
    return operation, trouble


def _read_stamp(stamp: object, device: str) -> str:
    if type(stamp) is int:
        return read_stamp_number(stamp, device)
    text = str(stamp)
    # PostgreSQL keeps no number among texts; a stamp in full has dots.
    return read_stamp_number(int(text), device) if text.isdecimal() else text


def _has_its_hash(operation: Operation) -> bool:
    return _sha256(operation.envelope_text) == operation.hash


def _as_written(connection: Connection, operation: Operation, bodies: "_BodyReader") -> Operation:
    """Return an operation with the hash that the texts before it have, not the one kept there.

    So it is sound where only the hash of the one before it was changed.
    """
    row = connection.execute(
        f"{_SELECT} WHERE device = ? AND epoch = ? AND counter = ?",
        (operation.device, operation.epoch, operation.counter - 1),
    ).fetchone()
    if row is None:
        return operation
    before, _ = _read_operation(row, bodies)
    return msgspec.structs.replace(operation, previous=_sha256(before.envelope_text))


class _BodyReader:
    """Unpacks pieces; the last one is kept, since its texts lie side by side in the log.

    Those of some rows are fetched together, squeezed as they are.
    """

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self._fetched: dict[int, bytes] = {}
        self._piece = 0
        self._why = ""
        self._texts: list[str] = []

    def fetch(self, pieces: set[int]) -> None:
        """Fetch pieces, in place of those fetched before."""
        missing = sorted(pieces - {self._piece})
        rows: Iterable[tuple[int, bytes]] = ()
        if missing:
            rows = self._connection.execute(
                "SELECT id, content FROM bodies WHERE id IN"
                " (SELECT CAST(value AS BIGINT) FROM json_each(?))",
                (msgspec.json.encode(missing).decode(),),
            ).fetchall()
        self._fetched = dict(rows)

    def text_at(self, piece: int, place: int, op_id: str) -> str:
        if piece != self._piece:
            if piece not in self._fetched:
                self.fetch({piece})
            self._piece, self._why = piece, ""
            try:
                self._texts = unpack_bodies(self._fetched.get(piece, b""))
            except DamagedBodiesError as error:
                self._texts, self._why = [], str(error)
        if self._why:
            raise DamagedBodiesError(f"{op_id}: {self._why}")
        if not 0 <= place < len(self._texts):
            raise DamagedBodiesError(
                f"The text of {op_id} is not in its place in the store of the unit server. "
                "Restore it from a backup; tablets send the rest again."
            )
        return self._texts[place]


def append_entries(
    connection: Connection,
    operations: Iterable[Operation],
    records: dict[str, int],
    *,
    received_ms: int,
    is_quarantined: bool = False,
) -> None:
    """Write operations that continue their logs; ``records`` holds the handle of each record."""
    handles = Handles(connection)
    logs: dict[tuple[str, str], int] = {}
    streams: dict[str, int] = {}
    some = list(operations)
    places = iter(
        keep_bodies(connection, [one.body_text for one in some if one.body_text is not None])
    )
    rows: list[Row] = []
    for one in some:
        log = logs.get((one.device, one.epoch))
        if log is None:
            log = logs[one.device, one.epoch] = handles.enter_log(one.device, one.epoch)
        stream = streams.get(one.stream)
        if stream is None:
            stream = streams[one.stream] = handles.enter_stream(one.stream)
        piece, place = (None, None) if one.body_text is None else next(places)
        rows.append(
            (
                log,
                one.counter,
                stream,
                records[one.record],
                shorten_stamp(one.stamp, one.device),
                bytes.fromhex(one.hash),
                piece,
                place,
                bytes.fromhex(one.commitment) if one.body_text is None else None,
                received_ms,
                int(is_quarantined),
            )
        )
    connection.executemany(
        "INSERT INTO log_entry (log, counter, stream, record, stamp, hash, bodies, place,"
        " commitment, received_ms, is_quarantined) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        rows,
    )


def keep_bodies(connection: Statements, texts: list[str]) -> list[tuple[int, int]]:
    """Keep texts in pieces and return for each its piece and its place there."""
    if not texts:
        return []
    row = connection.execute("SELECT coalesce(max(id), 0) FROM bodies").fetchone()
    pieces = list(enumerate(cut_pieces(texts), start=row[0] + 1))
    connection.executemany(
        "INSERT INTO bodies (id, content) VALUES (?, ?)",
        [(number, squeeze_bodies(piece)) for number, piece in pieces],
    )
    return [(number, place) for number, piece in pieces for place in range(len(piece))]


def shorten_stamp(stamp: str, device: str) -> int | str:
    """Return a sound stamp as a number where it bears the device of its log, else as its text.

    Examples
    --------
    >>> shorten_stamp("001790000000001.00007.tablet-a", "tablet-a")
    179000000000100007
    >>> shorten_stamp("001790000000001.00007.tablet-a", "tablet-b")
    '001790000000001.00007.tablet-a'
    """
    number = int(stamp[:15] + stamp[16:21])
    return number if number <= _MAX_INTEGER and stamp[22:] == device else stamp


def read_stamp_number(number: int, device: str) -> str:
    """Return the text of a stamp that stands as a number."""
    wall_ms, count = divmod(number, _STAMP_UNIT)
    return f"{wall_ms:015d}.{count:05d}.{device}"


def _sha256(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
