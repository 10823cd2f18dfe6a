"""What others bring of a device that signs: it waits until that device's signature covers it."""

from collections.abc import Sequence

import msgspec

from api.record_catalogue.alarms import name_set_aside
from api.storage.device_store import Device
from api.storage.p256 import read_base64
from api.storage.signatures import DeviceKey, SignedHead, is_head_signed
from api.storage.unit_store import UnitStore
from api.storage.waiting_room import WaitingOperation
from sync.operation import Operation, read_operation
from sync.operation_log import Tip
from sync.signing import BroughtHead, trace_signed

_MARK = "unsigned"


class UnsignedEntries(msgspec.Struct, frozen=True):
    """Entries of one log in one stream that wait for the signature of their device.

    ``name`` is how a decision speaks of it: one more that waits is another alarm.
    """

    name: str
    stream: str
    op_id: str
    sentence: str
    received_ms: int


def find_signing_key(store: UnitStore, device: str) -> DeviceKey | None:
    """Return the key that has to have signed what others bring of a device.

    None where nothing proves who wrote: of an unknown device, of one from before there were keys,
    and of the server or the hub, whose words are bounded otherwise (EX10, RG13).
    """
    return store.signatures.newest_key_of(device) if store.devices.find(device) else None


def keep_brought_heads(store: UnitStore, heads: Sequence[BroughtHead]) -> None:
    """Keep the heads that devices signed over operations that wait here.

    Rule SG11. The operation is looked for first: checking signatures costs more.
    """
    for one in heads:
        key = find_signing_key(store, one.device)
        if key is None or _find_waiting(store, one) is None:
            continue
        signature = read_base64(one.signature) or b""
        head = SignedHead(one.device, one.epoch, one.counter, one.hash, key.key_id, signature)
        if is_head_signed(head, key):
            store.signatures.keep_head(head)


def _find_waiting(store: UnitStore, head: BroughtHead) -> WaitingOperation | None:
    try:
        return store.waiting.find(head.device, head.epoch, head.counter, head.hash)
    except ValueError:  # Its hash is none.
        return None


def find_signed(store: UnitStore, device: str, tip: Tip) -> list[WaitingOperation]:
    """Return the next operations of a log that wait and that its device has signed, lowest first.

    Empty where no signature of its newest key covers what waits, or something is missing below it.

    Notes
    -----
    Rule SG11.
    """
    heads = store.signatures.heads_waiting(device, tip.epoch)
    known = store.devices.find(device) if heads else None
    # Nobody has compared the digits of the key of one that waits (RQ7).
    is_let_in = known is not None and not known.is_waiting
    key = find_signing_key(store, device) if is_let_in else None
    waiting: dict[str, WaitingOperation] = {}

    def find(counter: int, hash_: str) -> Operation | None:
        one = store.waiting.find(device, tip.epoch, counter, hash_)
        if one is None:
            return None
        operation = read_operation(one.envelope, one.body or None)
        waiting[operation.hash] = one
        # A text that was changed where it lies is covered by nothing.
        return operation if operation.hash == hash_ else None

    for head in heads:
        if key is None or head.key_id != key.key_id:
            continue
        signed = trace_signed(tip, Tip(head.epoch, head.counter, head.hash), find)
        if signed:
            return [waiting[one.hash] for one in signed]
    return []


def is_after_its_end(store: UnitStore, operation: Operation, origin: Device | None) -> bool:
    """Say whether a device had been revoked before an operation of it came (EX12)."""
    return (
        origin is not None
        and origin.revoked_ms is not None
        and operation.counter > store.marks.end_of(operation.device, operation.epoch)
    )


def tell_other_version(operation: Operation, supplied_by: str) -> str:
    """Say that another version stands where somebody brought one without a signature."""
    return (
        f"ALARM: {supplied_by} brought a version of {operation.op_id} that {operation.device} did "
        "not sign; the unit holds another. It counts for nothing and is kept aside. Data manager: "
        f"ask where {supplied_by} has it from."
    )


def list_unsigned(store: UnitStore) -> list[UnsignedEntries]:
    """Return what waits for signatures, by log and stream, for a person to hear of (SG11)."""
    by_log: dict[tuple[str, str, str], list[tuple[Operation, WaitingOperation]]] = {}
    for device, epoch in store.waiting.logs():
        if find_signing_key(store, device) is None:
            continue
        for one in store.waiting.of_log(device, epoch):
            if not one.is_vouched:
                operation = read_operation(one.envelope, None)
                log = device, epoch, operation.stream
                by_log.setdefault(log, []).append((operation, one))
    return [_tell(store, stream, rows) for (_, _, stream), rows in by_log.items()]


def _lacks_what_came_before(store: UnitStore, operation: Operation) -> bool:
    """Say whether an entry that waits is signed, and waits for those before it alone."""
    before = Tip(operation.epoch, operation.counter - 1, operation.previous)
    return any(
        one.counter == operation.counter for one in find_signed(store, operation.device, before)
    )


def _tell(
    store: UnitStore, stream: str, rows: list[tuple[Operation, WaitingOperation]]
) -> UnsignedEntries:
    (first, waiting), device = rows[0], rows[0][0].device
    known = store.devices.find(device)
    count = "One entry" if len(rows) == 1 else f"{len(rows)} entries"
    lacking = f"without a signature of {device} over it"
    what_to_do = (
        f"{device} was revoked, so look at who brought it."
        if known is not None and known.revoked_ms is not None
        else f"Let {device} exchange with the unit. If it is gone for good, save the entries of "
        f"{waiting.supplied_by} to a file and take it in here, if you trust it."
    )
    if _lacks_what_came_before(store, first):
        lacking = f"signed by {device}, but without what {device} wrote before it"
        what_to_do = (
            f"Let every tablet exchange with the unit. If none brings the rest, look at "
            f"{waiting.supplied_by} what it says and enter that again."
        )
    hashes = "\n".join(operation.hash for operation, _ in rows)
    return UnsignedEntries(
        name=name_set_aside(_MARK, hashes),
        stream=stream,
        op_id=first.op_id,
        sentence=(
            f"{waiting.supplied_by} brought {count[0].lower()}{count[1:]} in the name of {device}, "
            f"{first.op_id} first, {lacking}. It waits here and counts for nothing. {what_to_do}"
        ),
        received_ms=waiting.received_ms,
    )
