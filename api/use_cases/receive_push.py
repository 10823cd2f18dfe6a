"""Receive a push: a device's own operations, each taken in, known already, or set aside alone."""

from collections.abc import Sequence

import msgspec

from api.storage.device_store import Device
from api.storage.unit_store import UnitStore
from api.use_cases.errors import NotAllowedError, TooLargeError, UnreadablePushError
from sync.errors import MalformedOperationError, SyncError
from sync.exchange import MAX_BATCH_COUNT
from sync.operation import Operation, read_operation
from sync.operation_log import Place, Tip, place_operation

Texts = tuple[str, str]


class SetAside(msgspec.Struct, frozen=True):
    """An operation that waits in quarantine for a person, and why."""

    op_id: str
    sentence: str


class PushAnswer(msgspec.Struct, frozen=True):
    """Where the log ends now, and what was set aside on the way."""

    tip: Tip
    quarantined: tuple[SetAside, ...]


def receive_push(
    store: UnitStore, device: Device, operations: Sequence[Texts], *, now_ms: int
) -> PushAnswer:
    """Take in a batch; when this returns, everything in it is on disk.

    Cases in it then wait for the second check of their plans (`check_plans`).

    Parameters
    ----------
    operations : sequence of (envelope, body)
        Exact texts, in the order of the device's log.

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
    Rules LG1-LG4, EX5, EX6. An operation that continues the log and cannot be taken in still
    moves the log on, so that the queue behind it flows; its texts stay in quarantine.
    """
    if not operations:
        raise UnreadablePushError("The push holds no operation. Send at least one.")
    if len(operations) > MAX_BATCH_COUNT:
        message = f"The push holds {len(operations)} operations. Send at most {MAX_BATCH_COUNT}."
        raise TooLargeError(message)
    read = [_read(texts, device, store) for texts in operations]
    with store.transaction():
        receiver = _Receiver(store, now_ms)
        for operation, (envelope, body), sentence in read:
            receiver.take(operation, envelope, body, sentence)
        receiver.write()
        last = read[-1][0]
        return PushAnswer(
            tip=store.operations.tip_of(last.device, last.epoch),
            quarantined=tuple(receiver.set_aside),
        )


class _Receiver:
    """One batch on its way into the log; written at its end in one go."""

    def __init__(self, store: UnitStore, now_ms: int) -> None:
        self._store = store
        self._now_ms = now_ms
        self._tips: dict[str, Tip] = {}
        self._fresh: dict[tuple[str, int], str] = {}
        self._other_branch: set[str] = set()
        self._taken: list[Operation] = []
        self.set_aside: list[SetAside] = []

    def take(self, operation: Operation, envelope: str, body: str, sentence: str | None) -> None:
        """Decide on one operation; ``sentence`` says why it cannot be taken in, if so."""
        tip = self._tip(operation)
        place = place_operation(tip, operation, self._held_hash(operation, tip))
        if place is Place.GAP and operation.previous in self._other_branch:
            place = Place.FORK
        if place is Place.GAP:
            message = (
                f"{operation.op_id} does not follow {tip.counter}, the last one held here. "
                "Start with a handshake and send from there."
            )
            raise UnreadablePushError(message)
        if place is Place.HELD:
            self._report_again(operation, envelope)
            return
        if place is Place.FORK:
            self._other_branch.add(operation.hash)
            sentence = (
                f"Two devices wrote as {operation.device}: {operation.op_id} came in two versions. "
                "Both are kept; ask the data manager."
            )
        if sentence is not None:
            self._quarantine(operation, envelope, body, sentence)
        if place is Place.NEXT:
            self._continue(operation, is_sound=sentence is None)

    def write(self) -> None:
        """Write what was taken in, bring the views up to date, and ask for the second check."""
        self._store.operations.append(self._taken, received_ms=self._now_ms)
        self._store.views.refresh(operation.record for operation in self._taken)
        self._store.plan_checks.await_check(operation.record for operation in self._taken)

    def _continue(self, operation: Operation, *, is_sound: bool) -> None:
        self._tips[operation.epoch] = Tip(operation.epoch, operation.counter, operation.hash)
        self._fresh[operation.epoch, operation.counter] = operation.hash
        if is_sound:
            self._taken.append(operation)
            return
        # Receipts are numbered in the order of the log.
        self.write()
        self._taken = []
        withheld = msgspec.structs.replace(operation, body_text=None)
        self._store.operations.append([withheld], received_ms=self._now_ms, is_quarantined=True)

    def _quarantine(self, operation: Operation, envelope: str, body: str, sentence: str) -> None:
        self._store.operations.quarantine(
            operation.op_id, envelope, body, sentence, received_ms=self._now_ms
        )
        self.set_aside.append(SetAside(operation.op_id, sentence))

    def _report_again(self, operation: Operation, envelope: str) -> None:
        # The first answer may have been lost on its way.
        sentence = self._store.operations.sentence_about(envelope)
        if sentence is not None:
            self.set_aside.append(SetAside(operation.op_id, sentence))

    def _tip(self, operation: Operation) -> Tip:
        if operation.epoch not in self._tips:
            self._tips[operation.epoch] = self._store.operations.tip_of(
                operation.device, operation.epoch
            )
        return self._tips[operation.epoch]

    def _held_hash(self, operation: Operation, tip: Tip) -> str | None:
        if operation.counter > tip.counter:
            return None
        fresh = self._fresh.get((operation.epoch, operation.counter))
        return fresh or self._store.operations.hash_at(
            operation.device, operation.epoch, operation.counter
        )


def _read(texts: Texts, device: Device, store: UnitStore) -> tuple[Operation, Texts, str | None]:
    """Return the operation, its texts, and why it cannot be taken in (None when it can)."""
    envelope, body = texts
    sentence: str | None = None
    try:
        operation = read_operation(envelope, body)
    except SyncError as error:
        sentence = str(error)
        try:
            operation = read_operation(envelope, None)
        except MalformedOperationError as broken:
            raise UnreadablePushError(str(broken)) from broken
    if operation.device != device.id:
        message = (
            f"{operation.op_id} was not made on {device.id}. A device sends its own entries alone."
        )
        raise NotAllowedError(message)
    expected = store.catalogue.stream_of(operation.kind)
    if sentence is None and expected not in (None, operation.stream):
        sentence = (
            f"{operation.op_id} puts {operation.kind} in stream {operation.stream}; it belongs in "
            f"{expected}. It is kept aside for the data manager."
        )
    if sentence is None and operation.stream not in device.streams:
        sentence = (
            f"{operation.op_id} is in stream {operation.stream}, which a {device.role} device does "
            "not write. It is kept aside for the data manager."
        )
    return operation, texts, sentence
