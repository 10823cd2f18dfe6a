"""Receives what another than its own device brings: let in, let wait, or set aside alone."""

from api.storage.device_store import Device
from api.storage.unit_store import UnitStore
from api.storage.waiting_room import WaitingOperation
from api.use_cases.brought_logs import (
    find_signed,
    find_signing_key,
    is_after_its_end,
    tell_other_version,
)
from api.use_cases.hub_words_back import why_not_taken_back
from api.use_cases.judge_received import why_not_taken_in
from api.use_cases.judge_writes import why_not_brought
from api.use_cases.log_receiver import Log, LogReceiver
from api.use_cases.server_log import SERVER_DEVICE
from api.use_cases.server_role import HUB_DEVICE
from sync.operation import Operation, read_operation
from sync.operation_log import Place


class BroughtEntries:
    """What others bring, and what waits, on its way through a receiver of logs.

    Rules EX10, EX11, SG11. Call it inside a transaction.
    """

    def __init__(self, store: UnitStore, receiver: LogReceiver, *, now_ms: int) -> None:
        self._store = store
        self._receiver = receiver
        self._now_ms = now_ms

    def take(
        self,
        operation: Operation,
        texts: tuple[str, str],
        forged: str | None,
        *,
        supplied_by: str,
        supplier: Device | None = None,
        is_vouched: bool = False,
        is_by_hand: bool = False,
        is_signed_here: bool = False,
    ) -> Place | None:
        """Decide on one operation that another than its own device brings.

        Of a device that signs it waits, until `let_in_waiting` finds a signature over it.

        Parameters
        ----------
        supplier : Device or None
            The device that brings it; None for a file, which a person takes in.
        is_vouched : bool
            A person vouches for what bears the unit server's name (RL12).
        is_by_hand : bool
            A person takes it in from a file, and vouches for whom it names.
        is_signed_here : bool
            A signature of this very hub covers what it had written itself (RG13).

        Returns
        -------
        Place or None
            Where it stands, a GAP while it waits; None for a forged body, for one that came after
            its device was revoked, and for one of an unknown device that the supplier may not
            bring: its place stays free, and another may bring it.
        """
        envelope, body = texts
        if forged is not None:
            self._receiver.keep_aside(operation, envelope, body, forged)
            return None
        sentence, is_place_free = self._judge(
            operation,
            supplier,
            is_vouched=is_vouched,
            is_by_hand=is_by_hand,
            is_signed_here=is_signed_here,
        )
        if sentence is not None and is_place_free:
            if self._receiver.held_hash(operation) != operation.hash:
                self._receiver.keep_aside(operation, envelope, body, sentence)
                self._store.waiting.forget(operation)
            return None
        place = (
            Place.GAP
            if not is_by_hand and self._has_to_be_signed(operation)
            else self._receiver.take(operation, envelope, body, sentence)
        )
        if place is Place.GAP:
            self._store.waiting.admit(
                operation,
                supplied_by=supplied_by,
                received_ms=self._now_ms,
                is_vouched=is_by_hand,
            )
        elif place is Place.NEXT:
            self._note_unsigned(operation)
        return place

    def let_in_waiting(self) -> None:
        """Take in what waited for the operations or the heads of this batch (EX11, SG11)."""
        for log in self._receiver.logs():
            # Nothing waits as a rule, and every push asks.
            while not self._store.waiting.is_empty(*log):
                if not (self._let_in_signed(log) or self._let_in_followers(log)):
                    break

    def _let_in_signed(self, log: Log) -> bool:
        """Let in what a signature of the log's own device covers; say whether there was any."""
        signed = find_signed(self._store, log[0], self._receiver.tip_of(*log))
        origin = self._store.devices.find(log[0]) if signed else None
        for one in signed:
            operation = read_operation(one.envelope, one.body or None)
            sentence = why_not_taken_in(self._store, operation, origin)
            if sentence is not None and is_after_its_end(self._store, operation, origin):
                self._receiver.keep_aside(operation, one.envelope, one.body, sentence)
            else:
                self._receiver.take(operation, one.envelope, one.body, sentence)
        self._store.waiting.release(signed)
        return bool(signed)

    def _let_in_followers(self, log: Log) -> bool:
        """Settle what stands next and needs no signature, and what stands at a place that is held.

        Say whether anything waits no longer.
        """
        end = self._receiver.tip_of(*log).counter
        waiting = self._store.waiting.of_log(*log, up_to=end + 1)
        settled = [one for one in waiting if self._settle(one)]
        self._store.waiting.release(settled)
        return bool(settled)

    def _settle(self, one: WaitingOperation) -> bool:
        # Of an erased record no body was kept (ER3).
        operation = read_operation(one.envelope, one.body or None)
        if not one.is_vouched and self._has_to_be_signed(operation):
            if operation.counter > self._receiver.tip(operation).counter:
                return False
            told = tell_other_version(operation, one.supplied_by)
            self._receiver.keep_aside(operation, one.envelope, one.body, told)
            return True
        supplier = self._store.devices.find(one.supplied_by)
        sentence, is_place_free = self._judge(operation, supplier)
        if sentence is not None and is_place_free:
            self._receiver.keep_aside(operation, one.envelope, one.body, sentence)
        elif self._receiver.take(operation, one.envelope, one.body, sentence) is Place.NEXT:
            self._note_unsigned(operation)
        return True

    def _has_to_be_signed(self, operation: Operation) -> bool:
        self._receiver.tip(operation)
        return (
            self._receiver.held_hash(operation) != operation.hash
            and find_signing_key(self._store, operation.device) is not None
        )

    def _judge(
        self,
        operation: Operation,
        supplier: Device | None,
        *,
        is_vouched: bool = False,
        is_by_hand: bool = False,
        is_signed_here: bool = False,
    ) -> tuple[str | None, bool]:
        """Say why what is brought cannot be taken in, and whether its place stays free then."""
        origin = self._store.devices.find(operation.device)
        sentence = why_not_taken_in(
            self._store, operation, origin, is_vouched=is_vouched, is_by_hand=is_by_hand
        )
        if is_by_hand or supplier is None:
            return sentence, False
        if origin is not None:
            is_over = is_after_its_end(self._store, operation, origin)
            return sentence, is_over and find_signing_key(self._store, origin.id) is not None
        if sentence is not None:
            return sentence, False
        if is_signed_here:
            return why_not_taken_back(self._store, operation), False
        sentence = why_not_brought(self._store, operation, supplier)
        # What the server wrote behind it is to come through; of a device another may bring it.
        return sentence, operation.device not in (SERVER_DEVICE, HUB_DEVICE)

    def _note_unsigned(self, operation: Operation) -> None:
        self._store.signatures.note_resupplied(operation.device, operation.epoch, operation.counter)
