"""Receives operations into their logs: taken in, known already, or set aside alone."""

from collections.abc import Iterable
from itertools import groupby

import msgspec

from api.storage.operation_store import HeldPlace
from api.storage.unit_store import UnitStore
from api.use_cases.check_plans import may_change_plans
from api.use_cases.judge_acts import ACTED_ON, judge_acts, judge_again, tell_waiting
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

    Rules LG1-LG4, EX6, EX12. Call it inside a transaction.
    """

    def __init__(self, store: UnitStore, now_ms: int) -> None:
        self._store = store
        self._now_ms = now_ms
        self._tips: dict[Log, Tip] = {}
        self._fresh: dict[tuple[str, str, int], str] = {}
        self._held: dict[tuple[str, str, int], HeldPlace] = {}
        self._other_branch: set[str] = set()
        self._taken: list[Operation] = []
        self._withheld: list[Operation] = []
        self._visits: set[str] = set()
        self.set_aside: list[SetAside] = []

    def look_up(self, operations: Iterable[Operation]) -> None:
        """Ask once what is held already in the places of a batch, which a device sends again."""
        places: dict[Log, set[int]] = {}
        for one in operations:
            if one.counter <= self.tip(one).counter:
                places.setdefault((one.device, one.epoch), set()).add(one.counter)
        for log, counters in places.items():
            for counter, held in self._store.operations.held_at(*log, counters).items():
                self._held[*log, counter] = held

    def take(self, operation: Operation, envelope: str, body: str, sentence: str | None) -> Place:
        """Decide on one operation and say where it stands; a GAP changes nothing.

        ``sentence`` says why it cannot be taken in, if so. One that continues its log moves the
        log on all the same, so that the queue behind it flows.
        """
        tip = self.tip(operation)
        held = None if operation.counter > tip.counter else self.held_hash(operation)
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
            self.keep_aside(operation, envelope, body, sentence)
        if place is Place.NEXT:
            self._continue(operation, is_sound=sentence is None)
        return place

    def tip(self, operation: Operation) -> Tip:
        """Return where the log of an operation ends by now."""
        return self.tip_of(operation.device, operation.epoch)

    def tip_of(self, device: str, epoch: str) -> Tip:
        """Return where a log ends by now."""
        log = device, epoch
        found = self._tips.get(log)
        if found is None:
            found = self._tips[log] = self._store.operations.tip_of(*log)
        return found

    def logs(self) -> list[Log]:
        """Return the logs that were looked at so far."""
        return list(self._tips)

    def keep_aside(self, operation: Operation, envelope: str, body: str, sentence: str) -> None:
        """Keep the texts of an operation for a person; its log stays where it ends."""
        self._store.operations.quarantine(
            operation.op_id, envelope, body, sentence, received_ms=self._now_ms
        )
        self.set_aside.append(SetAside(operation.op_id, sentence))

    def held_hash(self, operation: Operation) -> str | None:
        """Return the hash held at the place of an operation by now, None when nothing is."""
        place = operation.device, operation.epoch, operation.counter
        if place in self._fresh:
            return self._fresh[place]
        held = self._held.get(place)
        return held.hash if held is not None else self._store.operations.hash_at(*place)

    def write(self) -> None:
        """Write what was taken in, bring the views up to date, and ask for the second check.

        An act on a visit that its course does not allow stays out of them (CV14).
        """
        self._write_withheld()
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
        # Receipts are numbered in the order of the log: of both kinds one is written at a time.
        if is_sound:
            self._write_withheld()
            self._taken.append(operation)
            return
        if self._taken or self._visits:
            self.write()
        self._withheld.append(msgspec.structs.replace(operation, body_text=None))

    def _write_withheld(self) -> None:
        withheld, self._withheld = self._withheld, []
        if withheld:
            self._store.operations.append(withheld, received_ms=self._now_ms, is_quarantined=True)

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

    def _report_again(self, operation: Operation, envelope: str) -> None:
        # The first answer may have been lost on its way.
        held = self._held.get((operation.device, operation.epoch, operation.counter))
        if held is not None and not held.is_set_aside:
            return
        self._write_withheld()
        sentence = self._store.operations.sentence_about(envelope)
        # The same texts may lie aside from a push that somebody else made (SG3).
        is_news = sentence not in (None, tell_waiting(operation.op_id))
        is_aside = held is not None or self._store.operations.is_set_aside(operation)
        if sentence is not None and is_news and is_aside:
            self.set_aside.append(SetAside(operation.op_id, sentence))


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
