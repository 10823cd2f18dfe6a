"""Operations as they travel in rows: what follows from the row before is left out.

Two hashes of each operation do not compress, and both follow: the commitment is the hash of the
body that travels along, and `previous` is the hash of the operation before. The receiver builds
the exact texts again and compares all of them with one digest. Twin of `wire.ts`.
"""

from collections.abc import Iterable, Sequence
from typing import Annotated

import msgspec

from sync.errors import ChangedBatchError, SyncError
from sync.operation import Operation, hash_text, read_operation, write_envelope

# What a row counts beside its body when a batch is cut (EX17): about what it takes written out.
ROW_BYTES = 64
# No two stamps of 15 digits lie further apart.
Step = Annotated[int, msgspec.Meta(gt=-(10**15), lt=10**15)]


class Row(msgspec.Struct, frozen=True, array_like=True, forbid_unknown_fields=True, gc=False):
    """One operation without what follows; "" where it does (EX16).

    Parameters
    ----------
    body : str or None
        Exact text; None when it is withheld, and then the commitment is given.
    record : str
        "" for that of the row before.
    stamp : int or str
        Milliseconds since the stamp of the row before; or the stamp, where that does not give it.
    op_id : str
        "" for the next of the same log as the row before.
    previous : str
        "" for the hash of the operation before it of the same log in this message.
    stream : str
        "" for that of the row before.
    commitment : str
        "" where the body travels.
    """

    body: str | None
    record: str
    stamp: Step | str
    op_id: str
    previous: str
    stream: str
    commitment: str


def write_rows(operations: Iterable[Operation]) -> list[Row]:
    """Return operations as rows; `read_rows` gives the same back (EX16).

    Nothing is checked here: an operation that contradicts itself is found by the digest.
    """
    rows = []
    record = stream = next_id = ""
    wall_ms = ticks = 0
    ends: dict[str, tuple[int, str]] = {}
    for one in operations:
        log = f"{one.device}.{one.epoch}"
        step = int(one.stamp[:15]) - wall_ms
        is_step = one.stamp == _write_stamp(wall_ms, ticks, step, one.device)
        rows.append(
            Row(
                one.body_text,
                "" if one.record == record else one.record,
                step if is_step else one.stamp,
                "" if one.op_id == next_id else one.op_id,
                "" if ends.get(log) == (one.counter - 1, one.previous) else one.previous,
                "" if one.stream == stream else one.stream,
                one.commitment if one.body_text is None else "",
            )
        )
        record, stream, next_id = one.record, one.stream, f"{log}.{one.counter + 1}"
        wall_ms, ticks = int(one.stamp[:15]), int(one.stamp[16:21])
        ends[log] = one.counter, one.hash
    return rows


def read_rows(rows: Sequence[Row], digest: str, *said: str) -> list[Operation]:
    """Return the operations that rows were written from.

    Parameters
    ----------
    digest : str, 64 hexadecimal digits
        What `digest_rows` gave where the rows were written.
    said : str
        What else the message says and the digest covers, in the same order.

    Raises
    ------
    ChangedBatchError
        A row builds no operation, or not what was sent: nothing of the batch may be taken in, and
        the long form shows which operation it is (EX17).
    """
    operations: list[Operation] = []
    record = stream = log = ""
    place = wall_ms = ticks = 0
    ends: dict[str, tuple[int, str]] = {}
    for row in rows:
        op_id = row.op_id or f"{log}.{place + 1}"
        log, _, digits = op_id.rpartition(".")
        end = ends.get(log)
        previous = row.previous
        if not previous and end is not None and digits == str(end[0] + 1):
            previous = end[1]
        record, stream = row.record or record, row.stream or stream
        device = log.partition(".")[0]
        stamp = row.stamp
        if isinstance(stamp, int):
            stamp = _write_stamp(wall_ms, ticks, stamp, device)
        try:
            commitment = row.commitment if row.body is None else hash_text(row.body)
            envelope = write_envelope(op_id, previous, stream, record, stamp, commitment)
            operation = read_operation(envelope, row.body, commitment)
        except SyncError as error:
            raise ChangedBatchError(
                f"Operation {len(operations) + 1} of the batch cannot be built ({error}) Send the "
                "batch in the long form."
            ) from error
        place = operation.counter
        wall_ms, ticks = int(stamp[:15]), int(stamp[16:21])
        ends[log] = place, operation.hash
        operations.append(operation)
    if digest_rows(operations, *said) != digest:
        raise ChangedBatchError(
            "The batch is not what its digest says: it was changed after it was written. Send it "
            "in the long form."
        )
    return operations


def digest_rows(operations: Iterable[Operation], *said: str) -> str:
    """Return SHA-256 over what a message says and the hash of each operation, a line each (EX17).

    Over each one and not the last alone: in a page of one stream a log has gaps, and a hash
    vouches for what lies before it only where nothing was left out.
    """
    return hash_text("\n".join((*said, *(one.hash for one in operations))))


def _write_stamp(wall_ms: int, ticks: int, step: int, device: str) -> str:
    """Return the stamp so many milliseconds after another: within one the counter rises (HC3)."""
    return f"{wall_ms + step:015d}.{0 if step else ticks + 1:05d}.{device}"
