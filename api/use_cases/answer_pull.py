"""Answer a pull: one page of one stream, in the order of receipt."""

import msgspec

from api.storage.device_store import Device
from api.storage.unit_store import UnitStore
from api.use_cases.errors import NotAllowedError
from sync.exchange import cut_batch


class Page(msgspec.Struct, frozen=True):
    """Operations as (receipt number, envelope, body), and where the next page begins."""

    operations: list[tuple[int, str, str | None]]
    next: int
    more: bool


def answer_pull(
    store: UnitStore,
    device: Device,
    stream: str,
    *,
    after: int,
    limit: int,
    with_own: bool,
    record: str = "",
) -> Page:
    """Return one page of a stream, or of what it holds on one record and its kin.

    Parameters
    ----------
    after : int
        Receipt number up to which the device has read.
    limit : int, 1-1000
        Most operations wanted; a page is also cut by bytes like a batch.
    with_own : bool
        Hand out the device's own operations too, for one that lost its store.
    record : str
        A record such as a case, with all under it and its parents; "" for the whole stream.

    Raises
    ------
    NotAllowedError
        The device's role may not read this stream, or the device was revoked.

    Notes
    -----
    Rules EX7, EX12, EX14. What a role may read is decided here, never by the asking device.
    """
    if device.revoked_ms is not None:
        raise NotAllowedError(
            "This device was revoked. What it recorded is kept aside for the data manager; use "
            "another device."
        )
    if stream not in device.streams:
        message = (
            f"A {device.role} device does not read stream {stream[:24]!r}. Leave it out, or join "
            "with an invitation for another role."
        )
        raise NotAllowedError(message)
    with store.transaction():
        without = None if with_own else device.id
        if record:
            receipts = store.operations.of_record_tree(
                record, stream, after=after, limit=limit + 1, without_device=without
            )
        else:
            receipts = store.operations.of_stream(
                stream, after=after, limit=limit + 1, without_device=without
            )
        head = store.operations.heads([stream])[stream]
    rows = [
        (receipt.seq, receipt.operation.envelope_text, receipt.operation.body_text)
        for receipt in receipts[:limit]
    ]
    fitting = cut_batch([len(envelope) + len((body or "").encode()) for _, envelope, body in rows])
    more = fitting < len(receipts)
    rows = rows[:fitting]
    return Page(operations=rows, next=rows[-1][0] if more else max(head, after), more=more)
