"""Receive a push: a device's own operations, each taken in, known already, or set aside alone."""

from collections.abc import Sequence

import msgspec

from api.storage.device_store import Device
from api.storage.unit_store import UnitStore
from api.use_cases.errors import NotAllowedError, UnreadablePushError
from api.use_cases.forget_pictures import forget_struck_pictures
from api.use_cases.judge_writes import why_not_in_stream
from api.use_cases.log_receiver import LogReceiver, SetAside, why_not_taken_in
from api.use_cases.push_signature import judge_push, set_all_aside
from api.use_cases.read_batch import Sent, Texts, read_sent, refuse_count
from sync.operation import Operation
from sync.operation_log import Place, Tip

__all__ = ["PushAnswer", "SetAside", "Texts", "receive_push"]


class PushAnswer(msgspec.Struct, frozen=True):
    """Where the log ends now, and what was set aside on the way."""

    tip: Tip
    quarantined: tuple[SetAside, ...]


def receive_push(
    store: UnitStore,
    device: Device,
    operations: Sequence[Sent],
    *,
    now_ms: int,
    signature: str | None = None,
    is_story: bool = False,
) -> PushAnswer:
    """Take in a batch; when this returns, everything in it is on disk.

    Cases in it then wait for the second check of their plans (`check_plans`).

    Parameters
    ----------
    operations : sequence of (envelope, body) or Operation
        Exact texts, or operations built from rows (EX16), in the order of the device's log.
    signature : str or None
        The device's, over the head of the batch (SG1); None from a device without a key.
    is_story : bool
        A story told on the server itself, whose devices speak for the whole unit, its people too.

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
    Rules LG1-LG4, EX5, EX6, EX12, SG3, CV14. An operation that continues the log and cannot be
    taken in still moves the log on, so that the queue behind it flows; its texts stay in
    quarantine.
    """
    refuse_count(operations)
    with store.transaction():
        read = [_read(sent, device, store, is_story=is_story) for sent in operations]
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
        answer = PushAnswer(
            tip=store.operations.tip_of(last.device, last.epoch),
            quarantined=tuple(receiver.set_aside),
        )
    if any(
        one.kind == "picture" and one.body_text and "retract" in one.body_text for one, _, _ in read
    ):
        forget_struck_pictures(store)
    return answer


def _read(
    sent: Sent, device: Device, store: UnitStore, *, is_story: bool
) -> tuple[Operation, Texts, str | None]:
    """Return the operation, its texts, and why it cannot be taken in (None when it can)."""
    operation, texts, sentence = read_sent(store, sent)
    if operation.device != device.id:
        message = (
            f"{operation.op_id} was not made on {device.id}. A device sends its own entries alone."
        )
        raise NotAllowedError(message)
    if is_story:
        told = why_not_in_stream(operation, device) or why_not_taken_in(
            store, operation, None, is_by_hand=True
        )
        return operation, texts, sentence or told
    return operation, texts, sentence or why_not_taken_in(store, operation, device)
