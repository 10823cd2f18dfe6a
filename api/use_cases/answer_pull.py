"""Answer a pull: one page of one stream, in the order of receipt."""

import msgspec

from api.storage.device_store import UNIT_ROLE, Device
from api.storage.entry_rows import Entry
from api.storage.unit_store import UnitStore
from api.use_cases.answer_registry import registry_page
from api.use_cases.errors import NotAllowedError, write_revoked
from api.use_cases.judge_reads import Reading, begins_again, find_reading, note_withheld
from api.use_cases.page_heads import WantedHeads, find_page_heads
from api.use_cases.server_role import HUB_DEVICE
from sync.exchange import cut_batch
from sync.operation import Operation, read_operation
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
        Of what to hand out the signed heads too (SG12); a unit is handed those that the hub signed
        over its own entries of the page (RG13).

    Raises
    ------
    NotAllowedError
        The device's role may not read this stream, or the device was revoked.

    Notes
    -----
    Rules EX7, EX12, EX14, EX23, LG6, RG11, SG12. What a role may read is decided here, never by who
    asks: a body that says more than its list of fields comes as withheld.
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
        return _answer_unit(store, device, after=after, limit=limit, with_own=with_own, heads=heads)
    reading = find_reading(store.catalogue, device, stream)
    with store.transaction():
        before = None if record else begins_again(store, reading, after)
        if before is not None:
            return _send_back(stream, after, before, in_rows=in_rows)
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
        if reading.is_listed:
            wanted = _withhold(store, reading, wanted)
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


def _withhold(store: UnitStore, reading: Reading, entries: list[Entry]) -> list[Entry]:
    """Return entries as the device may have them, and note from which on it was handed less."""
    handed = [
        msgspec.structs.replace(one, operation=reading.withhold(one.operation)) for one in entries
    ]
    first = next(
        (
            one.seq
            for one, before in zip(handed, entries, strict=True)
            if one.operation is not before.operation
        ),
        None,
    )
    if first is not None:
        note_withheld(store, reading, first)
    return handed


def _send_back(stream: str, after: int, before: int, *, in_rows: bool) -> Page | RowPage:
    """Return the page that puts a device back to where it was first handed less (EX23)."""
    if not in_rows:
        return Page(operations=[], next=before, more=False)
    digest = digest_rows([], stream, str(after), str(before), "end")
    return RowPage(rows=[], digest=digest, next=before, more=False)


def _answer_unit(
    store: UnitStore,
    device: Device,
    *,
    after: int,
    limit: int,
    with_own: bool,
    heads: WantedHeads,
) -> Page:
    """Return a page for a unit, in the long form and never of one record alone."""
    with store.transaction():
        texts, following, more = registry_page(
            store, device, after=after, limit=limit, with_own=with_own
        )
        # Of every log would be of other units' as well (SEC-24).
        handed = [read_operation(envelope, None) for _, envelope, _ in texts] if heads else []
        of_hub = [one for one in handed if one.device == HUB_DEVICE]
        signed = find_page_heads(store, of_hub, wanted="page", device=device.id)
    return Page(operations=texts, next=following, more=more, heads=signed)


def _size(operation: Operation, *, in_rows: bool) -> int:
    beside = ROW_BYTES if in_rows else len(operation.envelope_text)
    return beside + len((operation.body_text or "").encode())
