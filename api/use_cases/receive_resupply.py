"""Receive a resupply: what others wrote, from a device that holds more than this store."""

from collections.abc import Sequence

import msgspec

from api.storage.device_store import UNIT_ROLE, Device
from api.storage.unit_store import UnitStore
from api.use_cases.brought_entries import BroughtEntries
from api.use_cases.brought_logs import keep_brought_heads
from api.use_cases.errors import NotAllowedError, TooLargeError
from api.use_cases.hub_words_back import find_signed_by_hub
from api.use_cases.log_receiver import LogReceiver, SetAside
from api.use_cases.older_copy import (
    COMMAND,
    PUT_BACK,
    find_older_copy_claim,
    is_put_back,
    put_back_ms,
)
from api.use_cases.read_batch import Sent, Texts, read_sent, refuse_count
from api.use_cases.registry_log import keep_readers_of
from api.use_cases.server_role import HUB_DEVICE
from sync.clock import DAY_MS
from sync.exchange import MAX_BATCH_COUNT
from sync.operation import Operation
from sync.signing import BroughtHead

# Project default: so long after it was put back a hub takes from units what it had written itself.
RESUPPLY_DAYS = 30

__all__ = ["PUT_BACK", "RESUPPLY_DAYS", "HeldLog", "ResupplyAnswer", "receive_resupply"]


class HeldLog(msgspec.Struct, frozen=True):
    """Up to which counter a log is held here."""

    device: str
    epoch: str
    counter: int


class ResupplyAnswer(msgspec.Struct, frozen=True):
    """How far the logs asked about are held, how many operations wait, what was set aside."""

    held: tuple[HeldLog, ...]
    waiting: int
    quarantined: tuple[SetAside, ...]


def receive_resupply(
    store: UnitStore,
    device: Device,
    logs: Sequence[tuple[str, str]],
    operations: Sequence[Sent],
    *,
    now_ms: int,
    heads: Sequence[BroughtHead] = (),
) -> ResupplyAnswer:
    """Take in what continues a log, let wait what leaves a gap; all on disk when this returns.

    Parameters
    ----------
    logs : sequence of (device, epoch)
        Logs of which the device wants to know how far they are held.
    operations : sequence of (envelope, body) or Operation
        Operations of other devices, as texts or built from rows (EX16); none to only ask.
    heads : sequence of BroughtHead
        Heads that those devices signed, as the unit handed them out.

    Raises
    ------
    NotAllowedError
        No person put this store back to an older copy, or a hub too long ago; or an operation is
        the device's own, in a stream that its role does not read, or of another unit. Nothing is
        written.
    UnreadablePushError
        An envelope cannot be read. Nothing is written.
    TooLargeError
        More operations, logs or heads than a batch may hold. Nothing is written.

    Notes
    -----
    Rules EX10, EX11, RG13, SG11. Of a device that has a key here what its own signature covers is
    taken in, and the rest waits for it. Of an unknown one who supplies its log vouches for it, and
    it counts as unsigned; a second version of one of its operations is a fork.
    """
    if device.revoked_ms is not None:
        message = f"{device.id} was revoked and supplies nothing. Ask the data manager."
        raise NotAllowedError(message)
    if len(logs) > MAX_BATCH_COUNT:
        message = f"The offer names {len(logs)} logs. Ask for at most {MAX_BATCH_COUNT}."
        raise TooLargeError(message)
    if len(heads) > MAX_BATCH_COUNT:
        message = f"The offer brings {len(heads)} heads. Send at most {MAX_BATCH_COUNT}."
        raise TooLargeError(message)
    if operations:
        refuse_count(operations)
    with store.transaction():
        _refuse_closed(store, device, now_ms)
        read = [_read(store, sent, device) for sent in operations]
        receiver = LogReceiver(store, now_ms)
        brought = BroughtEntries(store, receiver, now_ms=now_ms)
        signed = frozenset[str]()
        if device.role == UNIT_ROLE and heads:
            signed = find_signed_by_hub(store, [operation for operation, _, _ in read], heads)
        for operation, sent, forged in read:
            brought.take(
                operation,
                sent,
                forged,
                supplied_by=device.id,
                supplier=device,
                is_signed_here=operation.hash in signed,
            )
        keep_brought_heads(store, heads)
        brought.let_in_waiting()
        receiver.write()
        for operation, _, _ in read:
            if operation.device == HUB_DEVICE:
                keep_readers_of(store, operation.epoch, operation.record)
        return ResupplyAnswer(
            held=tuple(
                HeldLog(origin, epoch, store.operations.tip_of(origin, epoch).counter)
                for origin, epoch in logs
            ),
            waiting=sum(store.waiting.gaps().values()),
            quarantined=tuple(receiver.set_aside),
        )


def _refuse_closed(store: UnitStore, device: Device, now_ms: int) -> None:
    if is_put_back(store):
        if device.role == UNIT_ROLE and now_ms - put_back_ms(store) > RESUPPLY_DAYS * DAY_MS:
            raise NotAllowedError(
                f"This hub was put back more than {RESUPPLY_DAYS} days ago and takes from units "
                "nothing any more that it wrote before. Go on; tell whoever looks after the hub "
                "if a notice is missing there."
            )
        return
    if find_older_copy_claim(store) is not None:
        raise NotAllowedError(
            "This unit may be an older copy that was put back by hand. It takes entries of other "
            f"devices once the data manager has run `{COMMAND}` on it."
        )
    raise NotAllowedError(
        "This unit was not put back to an older copy, so it takes no entries of other "
        "devices. Go on; nothing is missing here."
    )


def _read(store: UnitStore, sent: Sent, device: Device) -> tuple[Operation, Texts, str | None]:
    operation, texts, sentence = read_sent(store, sent)
    if operation.device == device.id:
        message = f"{operation.op_id} was made on {device.id} itself. Send it by a push."
        raise NotAllowedError(message)
    if device.role == UNIT_ROLE and operation.device != HUB_DEVICE:
        message = (
            f"{operation.op_id} was made on {operation.device}. A unit brings a hub what the hub "
            "wrote, and of no other unit anything."
        )
        raise NotAllowedError(message)
    if operation.stream not in device.streams:
        message = (
            f"{operation.op_id} is in stream {operation.stream}, which a {device.role} device does "
            "not read. A device supplies what it may hold."
        )
        raise NotAllowedError(message)
    return operation, texts, sentence
