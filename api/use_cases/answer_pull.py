"""Answer a pull: one page of one stream, in the order of receipt."""

import msgspec

from api.storage.device_store import UNIT_ROLE, Device
from api.storage.unit_store import UnitStore
from api.use_cases.answer_registry import registry_page
from api.use_cases.errors import NotAllowedError, write_revoked
from api.use_cases.page_heads import WantedHeads, find_page_heads
from sync.exchange import cut_batch
from sync.operation import Operation
from sync.signing import BroughtHead
from sync.wire import ROW_BYTES, Row, digest_rows, write_rows


class Page(msgspec.Struct, frozen=True, omit_defaults=True):
    """Operations as (receipt number, envelope, body), and where the next page begins.

    ``heads`` are those that other devices signed over them, where they were asked for (SG12).
    """

    operations: list[tuple[int, str, str | None]]
    next: int
    more: bool
    heads: list[BroughtHead] = []


class RowPage(msgspec.Struct, frozen=True, omit_defaults=True):
    """The same in rows (EX16); the digest covers stream, after, next and more too (EX17)."""

    rows: list[Row]
    digest: str
    next: int
    more: bool
    heads: list[BroughtHead] = []


def answer_pull(
    store: UnitStore,
    device: Device,
    stream: str,
    *,
    after: int,
    limit: int,
    with_own: bool,
    record: str = "",
    in_rows: bool = False,
    heads: WantedHeads = "",
) -> Page | RowPage:
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
    in_rows : bool
        Hand them out in rows, to a device that asks for them (EX18).
    heads : str
        Of what to hand out the signed heads too (SG12); a unit is handed none.

    Raises
    ------
    NotAllowedError
        The device's role may not read this stream, or the device was revoked.

    Notes
    -----
    Rules EX7, EX12, EX14, LG6, RG11, SG12. What a role may read is decided here, never by who asks.
    A page with a damaged entry comes in the long form, in which a device refuses that one alone;
    one whose body is gone is in no page, since a device would take it for one withheld.
    """
    if device.revoked_ms is not None:
        raise NotAllowedError(write_revoked(is_unit=device.role == UNIT_ROLE))
    if stream not in device.streams:
        message = (
            f"A {device.role} device does not read stream {stream[:24]!r}. Leave it out, or join "
            "with an invitation for another role."
        )
        raise NotAllowedError(message)
    if device.role == UNIT_ROLE:
        return _answer_unit(store, device, after=after, limit=limit, with_own=with_own)
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
        wanted = receipts[:limit]
        in_rows = in_rows and not any(one.trouble for one in wanted)
        fitting = cut_batch([_size(one.operation, in_rows=in_rows) for one in wanted])
        handed = [one.operation for one in wanted[:fitting]]
        signed = find_page_heads(store, handed, wanted=heads, device=device.id)
    more = fitting < len(receipts)
    following = wanted[fitting - 1].seq if more else max(head, after)
    if not in_rows:
        texts = [
            (one.seq, one.operation.envelope_text, one.operation.body_text)
            for one in wanted[:fitting]
            if not one.trouble or one.operation.body_text is not None
        ]
        return Page(operations=texts, next=following, more=more, heads=signed)
    digest = digest_rows(handed, stream, str(after), str(following), "more" if more else "end")
    rows = write_rows(handed)
    return RowPage(rows=rows, digest=digest, next=following, more=more, heads=signed)


def _answer_unit(
    store: UnitStore, device: Device, *, after: int, limit: int, with_own: bool
) -> Page:
    """Return a page for a unit, in the long form and never of one record alone."""
    with store.transaction():
        texts, following, more = registry_page(
            store, device, after=after, limit=limit, with_own=with_own
        )
    return Page(operations=texts, next=following, more=more)


def _size(operation: Operation, *, in_rows: bool) -> int:
    beside = ROW_BYTES if in_rows else len(operation.envelope_text)
    return beside + len((operation.body_text or "").encode())
