"""Receive a push: a device's own operations, each taken in, known already, or set aside alone."""

from collections.abc import Sequence

import msgspec

from api.record_catalogue.catalogue import Catalogue
from api.storage.device_store import Device
from api.storage.unit_store import UnitStore
from api.use_cases.brought_entries import BroughtEntries
from api.use_cases.errors import NotAllowedError, UnreadablePushError
from api.use_cases.forget_pictures import forget_struck_pictures
from api.use_cases.judge_received import why_not_by_itself, why_not_here
from api.use_cases.judge_writes import why_not_in_stream
from api.use_cases.log_receiver import LogReceiver, SetAside
from api.use_cases.push_signature import judge_signed, set_all_aside
from api.use_cases.read_batch import Sent, Texts, read_texts, refuse_count, refuse_withheld
from sync.operation import Operation
from sync.operation_log import Place, Tip

__all__ = ["PushAnswer", "SetAside", "Texts", "receive_push"]

_Read = tuple[Operation, Texts, str | None]


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
    # What needs no store comes first: nobody else may write from the transaction's beginning on.
    read = [_read(sent, device, store.catalogue, is_story=is_story) for sent in operations]
    last = read[-1][0]
    with store.reading():
        key = store.signatures.newest_key_of(device.id)
    verdict = judge_signed(key, device.id, [one for one, _, _ in read], signature)
    with store.transaction():
        refuse_withheld(store, operations)
        newest = store.signatures.newest_key_of(device.id)
        if newest != key:
            verdict = judge_signed(newest, device.id, [one for one, _, _ in read], signature)
        if verdict.refusal:
            pairs = [(one, pair) for one, pair, _ in read]
            return PushAnswer(
                tip=store.operations.tip_of(last.device, last.epoch),
                quarantined=set_all_aside(store, pairs, verdict.refusal, now_ms=now_ms),
            )
        receiver = LogReceiver(store, now_ms)
        receiver.look_up(one for one, _, _ in read)
        if not is_story:
            read = _judge_here(store, device, read)
        for operation, (envelope, body), sentence in read:
            if receiver.take(operation, envelope, body, sentence) is Place.GAP:
                held = receiver.tip(operation).counter
                message = (
                    f"{operation.op_id} does not follow {held}, the last one held here. "
                    "Start with a handshake and send from there."
                )
                raise UnreadablePushError(message)
        BroughtEntries(store, receiver, now_ms=now_ms).let_in_waiting()
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


def _read(sent: Sent, device: Device, catalogue: Catalogue, *, is_story: bool) -> _Read:
    """Return the operation, its texts, and why it cannot be taken in by itself, None when it can.

    None of a story: what its devices may write is judged by the stream alone.
    """
    operation, texts, sentence = read_texts(sent)
    if operation.device != device.id:
        message = (
            f"{operation.op_id} was not made on {device.id}. A device sends its own entries alone."
        )
        raise NotAllowedError(message)
    if is_story:
        told = why_not_in_stream(operation, device) or why_not_by_itself(
            catalogue, operation, None, is_by_hand=True
        )
        return operation, texts, sentence or told
    return operation, texts, sentence or why_not_by_itself(catalogue, operation, device)


def _judge_here(store: UnitStore, device: Device, read: Sequence[_Read]) -> list[_Read]:
    """Return the same with why an operation cannot be taken in by what is held here."""
    open_ones = [one for one, _, sentence in read if sentence is None]
    found = iter(why_not_here(store, open_ones, device))
    return [
        (one, texts, sentence if sentence is not None else next(found))
        for one, texts, sentence in read
    ]
