"""Receives operations into their logs: taken in, known already, or set aside alone."""

from itertools import groupby

import msgspec

from api.storage.device_store import Device
from api.storage.unit_store import UnitStore
from api.use_cases.check_plans import may_change_plans
from api.use_cases.judge_acts import ACTED_ON, judge_acts, judge_again, tell_waiting
from api.use_cases.judge_writes import why_not_brought, why_not_written
from api.use_cases.server_log import SERVER_DEVICE
from api.use_cases.server_role import HUB_DEVICE
from api.use_cases.server_words import refuse_server_words
from sync.errors import MalformedOperationError, SyncError
from sync.operation import Operation, read_operation
from sync.operation_log import Place, Tip, place_operation

Log = tuple[str, str]


class SetAside(msgspec.Struct, frozen=True):
    """An operation that waits in quarantine for a person, and why."""

    op_id: str
    sentence: str


class LogReceiver:
    """One batch on its way into the logs; written at its end in one go.

    Rules LG1-LG4, EX6, EX11, EX12. Call it inside a transaction.
    """

    def __init__(self, store: UnitStore, now_ms: int) -> None:
        self._store = store
        self._now_ms = now_ms
        self._tips: dict[Log, Tip] = {}
        self._fresh: dict[tuple[str, str, int], str] = {}
        self._other_branch: set[str] = set()
        self._taken: list[Operation] = []
        self._visits: set[str] = set()
        self.set_aside: list[SetAside] = []

    def take(self, operation: Operation, envelope: str, body: str, sentence: str | None) -> Place:
        """Decide on one operation and say where it stands; a GAP changes nothing.

        ``sentence`` says why it cannot be taken in, if so. One that continues its log moves the
        log on all the same, so that the queue behind it flows.
        """
        tip = self.tip(operation)
        held = None if operation.counter > tip.counter else self._held_hash(operation)
        place = place_operation(tip, operation, held)
        if place is Place.GAP and self._follows_other_branch(operation):
            place = Place.FORK
        if place is Place.HELD:
            self._report_again(operation, envelope)
        if place in (Place.GAP, Place.HELD):
            return place
        if operation.kind == ACTED_ON:
            self._visits.add(operation.record)
        if place is Place.FORK:
            self._note_fork(operation, tip, held)
            sentence = (
                f"Two devices wrote as {operation.device}: {operation.op_id} came in two versions. "
                "Both are kept; ask the data manager."
            )
        if sentence is not None:
            self._quarantine(operation, envelope, body, sentence)
        if place is Place.NEXT:
            self._continue(operation, is_sound=sentence is None)
        return place

    def take_supplied(
        self,
        operation: Operation,
        texts: tuple[str, str],
        forged: str | None,
        *,
        supplied_by: str,
        supplier: Device | None = None,
        is_vouched: bool = False,
        is_by_hand: bool = False,
    ) -> Place | None:
        """Decide on one operation that another than its own device brings (EX10, EX11).

        Parameters
        ----------
        supplier : Device or None
            The device that brings it; None for a file, which a person takes in.

        Returns
        -------
        Place or None
            Where it stands; None for a forged body and for one of an unknown device that the
            supplier may not bring, whose place stays free: another may bring it.
        """
        envelope, body = texts
        if forged is not None:
            self._quarantine(operation, envelope, body, forged)
            return None
        sentence, is_place_free = self._judge_brought(
            operation, supplier, is_vouched=is_vouched, is_by_hand=is_by_hand
        )
        if sentence is not None and is_place_free:
            if self._held_hash(operation) != operation.hash:
                self._quarantine(operation, envelope, body, sentence)
            return None
        place = self.take(operation, envelope, body, sentence)
        if place is Place.GAP:
            self._store.waiting.admit(operation, supplied_by=supplied_by, received_ms=self._now_ms)
        elif place is Place.NEXT:
            self._store.signatures.note_resupplied(
                operation.device, operation.epoch, operation.counter
            )
        return place

    def tip(self, operation: Operation) -> Tip:
        """Return where the log of an operation ends by now."""
        log = operation.device, operation.epoch
        found = self._tips.get(log)
        if found is None:
            found = self._tips[log] = self._store.operations.tip_of(*log)
        return found

    def let_in_waiting(self) -> None:
        """Take in what waited for the operations of this batch (EX11)."""
        for log in list(self._tips):
            while waiting := self._store.waiting.of_log(*log, up_to=self._tips[log].counter + 1):
                for one in waiting:
                    # Of an erased record no body was kept (ER3).
                    operation = read_operation(one.envelope, one.body or None)
                    supplier = self._store.devices.find(one.supplied_by)
                    sentence, is_place_free = self._judge_brought(operation, supplier)
                    if sentence is not None and is_place_free:
                        self._quarantine(operation, one.envelope, one.body, sentence)
                    elif self.take(operation, one.envelope, one.body, sentence) is Place.NEXT:
                        self._store.signatures.note_resupplied(*log, operation.counter)
                self._store.waiting.release(waiting)

    def _judge_brought(
        self,
        operation: Operation,
        supplier: Device | None,
        *,
        is_vouched: bool = False,
        is_by_hand: bool = False,
    ) -> tuple[str | None, bool]:
        """Say why what is brought cannot be taken in, and whether its place stays free then."""
        origin = self._store.devices.find(operation.device)
        sentence = why_not_taken_in(
            self._store, operation, origin, is_vouched=is_vouched, is_by_hand=is_by_hand
        )
        if sentence is not None or origin is not None or supplier is None or is_by_hand:
            return sentence, False
        sentence = why_not_brought(self._store, operation, supplier)
        # What the server wrote behind it is to come through; of a device another may bring it.
        return sentence, operation.device not in (SERVER_DEVICE, HUB_DEVICE)

    def write(self) -> None:
        """Write what was taken in, bring the views up to date, and ask for the second check.

        An act on a visit that its course does not allow stays out of them (CV14).
        """
        taken, self._taken = self._taken, []
        held_back = judge_acts(self._store, taken)
        for is_sound, run in groupby(taken, key=lambda one: one.reference not in held_back):
            if is_sound:
                self._enter(list(run))
                continue
            for operation in run:
                found = held_back[operation.reference]
                self._store.held_back.hold_back(operation, found.sentence, received_ms=self._now_ms)
                if not found.waits:
                    self.set_aside.append(SetAside(operation.op_id, found.sentence))
        visits, self._visits = self._visits, set()
        for operation in judge_again(self._store, visits):
            records = self._store.held_back.let_in(operation, received_ms=self._now_ms)
            self._store.views.refresh_after([operation], records)

    def _enter(self, operations: list[Operation]) -> None:
        records = self._store.operations.append(operations, received_ms=self._now_ms)
        self._store.views.refresh_after(operations, records)
        self._store.plan_checks.await_check(
            operation.record for operation in operations if may_change_plans(operation)
        )

    def _continue(self, operation: Operation, *, is_sound: bool) -> None:
        log = operation.device, operation.epoch
        self._tips[log] = Tip(operation.epoch, operation.counter, operation.hash)
        self._fresh[*log, operation.counter] = operation.hash
        if is_sound:
            self._taken.append(operation)
            return
        # Receipts are numbered in the order of the log.
        self.write()
        withheld = msgspec.structs.replace(operation, body_text=None)
        self._store.operations.append([withheld], received_ms=self._now_ms, is_quarantined=True)

    def _follows_other_branch(self, operation: Operation) -> bool:
        if operation.previous in self._other_branch:
            return True
        # One set aside for another reason, such as a forged body, is no branch: its true text may
        # still come, and what follows it waits.
        if not self._store.marks.is_forked_before(
            operation.device, operation.epoch, operation.counter
        ):
            return False
        before = f"{operation.device}.{operation.epoch}.{operation.counter - 1}"
        return self._store.operations.is_in_quarantine(before, operation.previous)

    def _note_fork(self, operation: Operation, tip: Tip, held: str | None) -> None:
        self._other_branch.add(operation.hash)
        if held is not None:
            there = Tip(operation.epoch, operation.counter, held)
            other = operation.hash
        elif operation.counter == tip.counter + 1 and operation.previous:
            there, other = tip, operation.previous
        else:
            return
        if there.counter > 0:
            self._store.marks.note_fork(
                there, other, device=operation.device, noted_ms=self._now_ms
            )

    def _quarantine(self, operation: Operation, envelope: str, body: str, sentence: str) -> None:
        self._store.operations.quarantine(
            operation.op_id, envelope, body, sentence, received_ms=self._now_ms
        )
        self.set_aside.append(SetAside(operation.op_id, sentence))

    def _report_again(self, operation: Operation, envelope: str) -> None:
        # The first answer may have been lost on its way.
        sentence = self._store.operations.sentence_about(envelope)
        # The same texts may lie aside from a push that somebody else made (SG3).
        is_news = sentence not in (None, tell_waiting(operation.op_id))
        if sentence is not None and is_news and self._store.operations.is_set_aside(operation):
            self.set_aside.append(SetAside(operation.op_id, sentence))

    def _held_hash(self, operation: Operation) -> str | None:
        place = operation.device, operation.epoch, operation.counter
        return self._fresh.get(place) or self._store.operations.hash_at(*place)


def read_or_explain(envelope: str, body: str) -> tuple[Operation, str | None]:
    """Return an operation, and why its body cannot be taken in (None when it can).

    Raises
    ------
    MalformedOperationError
        Not even the envelope can be read.
    """
    try:
        return read_operation(envelope, body), None
    except SyncError as error:
        sentence = str(error)
        try:
            return read_operation(envelope, None), sentence
        except MalformedOperationError as broken:
            raise broken from error


def why_not_taken_in(
    store: UnitStore,
    operation: Operation,
    origin: Device | None,
    *,
    is_vouched: bool = False,
    is_by_hand: bool = False,
) -> str | None:
    """Return why a sound operation cannot be taken in, None when it can.

    Parameters
    ----------
    origin : Device or None
        The device that wrote it; None when it never joined this store (one put back to an older
        copy knows fewer devices).
    is_vouched : bool
        A person vouches for what bears the unit server's name (RL12).
    is_by_hand : bool
        A person at the server brings it, as a file or a story, and vouches for whom it names.
    """
    kind = operation.kind
    expected = store.catalogue.stream_of(kind)
    if expected is not None and expected != operation.stream:
        return (
            f"{operation.op_id} puts {kind} in stream {operation.stream}; it belongs in "
            f"{expected}. It is kept aside for the data manager."
        )
    if (
        words := refuse_server_words(operation, is_vouched=is_vouched, is_by_hand=is_by_hand)
    ) is not None:
        return words
    if origin is None:
        return None
    if (words := why_not_written(store, operation, origin)) is not None:
        return words
    if origin.revoked_ms is not None and operation.counter > store.marks.end_of(
        operation.device, operation.epoch
    ):
        return (
            f"{operation.op_id} came after {origin.id} was revoked, whatever time it bears. "
            "It is kept aside for the data manager."
        )
    return None
