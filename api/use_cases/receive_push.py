"""Receive a push: a device's own operations, each taken in, known already, or set aside alone."""

from collections.abc import Sequence

import msgspec

from api.storage.device_store import Device
from api.storage.unit_store import UnitStore
from api.use_cases.errors import NotAllowedError, TooLargeError, UnreadablePushError
from api.use_cases.log_receiver import LogReceiver, SetAside, read_or_explain, why_not_taken_in
from api.use_cases.push_signature import judge_push, set_all_aside
from sync.errors import MalformedOperationError
from sync.exchange import MAX_BATCH_COUNT
from sync.operation import Operation
from sync.operation_log import Place, Tip

__all__ = ["PushAnswer", "SetAside", "Texts", "receive_push"]

Texts = tuple[str, str]


class PushAnswer(msgspec.Struct, frozen=True):
    """Where the log ends now, and what was set aside on the way."""

    tip: Tip
    quarantined: tuple[SetAside, ...]


def receive_push(
    store: UnitStore,
    device: Device,
    operations: Sequence[Texts],
    *,
    now_ms: int,
    signature: str | None = None,
) -> PushAnswer:
    """Take in a batch; when this returns, everything in it is on disk.

    Cases in it then wait for the second check of their plans (`check_plans`).

    Parameters
    ----------
    operations : sequence of (envelope, body)
        Exact texts, in the order of the device's log.
    signature : str or None
        The device's, over the head of the batch (SG1); None from a device without a key.

    Raises
    ------
    UnreadablePushError
        An envelope cannot be read, or an operation leaves a gap. Nothing is written.
    NotAllowedError
        An operation was made by another device. Nothing is written.
    TooLargeError
        More operations than a batch may hold. Nothing is written.

    Notes
    -----
    Rules LG1-LG4, EX5, EX6, EX12, SG3. An operation that continues the log and cannot be taken in
    still moves the log on, so that the queue behind it flows; its texts stay in quarantine.
    """
    refuse_count(operations)
    with store.transaction():
        read = [_read(texts, device, store) for texts in operations]
        last = read[-1][0]
        verdict = judge_push(store, device.id, [one for one, _, _ in read], signature)
        if verdict.refusal:
            pairs = [(one, pair) for one, pair, _ in read]
            return PushAnswer(
                tip=store.operations.tip_of(last.device, last.epoch),
                quarantined=set_all_aside(store, pairs, verdict.refusal, now_ms=now_ms),
            )
        receiver = LogReceiver(store, now_ms)
        for operation, (envelope, body), sentence in read:
            if receiver.take(operation, envelope, body, sentence) is Place.GAP:
                held = receiver.tip(operation).counter
                message = (
                    f"{operation.op_id} does not follow {held}, the last one held here. "
                    "Start with a handshake and send from there."
                )
                raise UnreadablePushError(message)
        receiver.let_in_waiting()
        receiver.write()
        if verdict.head is not None:
            store.signatures.keep_head(verdict.head)
        return PushAnswer(
            tip=store.operations.tip_of(last.device, last.epoch),
            quarantined=tuple(receiver.set_aside),
        )


def refuse_count(operations: Sequence[Texts]) -> None:
    """Raise when a batch holds no operation, or more than it may (EX5)."""
    if not operations:
        raise UnreadablePushError("The push holds no operation. Send at least one.")
    if len(operations) > MAX_BATCH_COUNT:
        message = f"The push holds {len(operations)} operations. Send at most {MAX_BATCH_COUNT}."
        raise TooLargeError(message)


def _read(texts: Texts, device: Device, store: UnitStore) -> tuple[Operation, Texts, str | None]:
    """Return the operation, its texts, and why it cannot be taken in (None when it can)."""
    try:
        operation, sentence = read_or_explain(*texts)
    except MalformedOperationError as broken:
        raise UnreadablePushError(str(broken)) from broken
    if operation.device != device.id:
        message = (
            f"{operation.op_id} was not made on {device.id}. A device sends its own entries alone."
        )
        raise NotAllowedError(message)
    return operation, texts, sentence or why_not_taken_in(store, operation, device)
