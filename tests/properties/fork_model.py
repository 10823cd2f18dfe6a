"""Tablets and a unit in memory that exchange by the machine; for the property tests alone."""

from dataclasses import dataclass, field

from sync.clock import Stamp
from sync.exchange import HandshakeAnswer
from sync.exchange_machine import ExchangeState, step_exchange
from sync.exchange_messages import (
    AnyHeard,
    BeginOffer,
    EndOffer,
    EndRecovery,
    Finish,
    Greet,
    Greeted,
    NoAnswer,
    NoteHeld,
    Offer,
    Offered,
    Pull,
    Pulled,
    Push,
    Pushed,
    ReadOwn,
    Recover,
    Reissue,
    Reissued,
    Said,
    Start,
)
from sync.merge import RecordState, merge_record
from sync.merge_policies import FieldPolicy, MergePolicy
from sync.operation import Body, Operation, make_operation
from sync.operation_log import Place, Tip, place_operation
from sync.reissue import reissue_branch

RECORD = "puncture/p-1"
POLICIES = {
    "kept": FieldPolicy(MergePolicy.KEEP_ALL),
    "asked": FieldPolicy(MergePolicy.ASK_A_PERSON),
}
BATCH = 2
Log = tuple[str, str]


@dataclass
class Unit:
    """Receipts in order; what leaves a gap waits, what contradicts a log is set aside."""

    received: list[Operation] = field(default_factory=list)
    generation: int = 1
    waiting: dict[str, Operation] = field(default_factory=dict)
    set_aside: dict[str, Operation] = field(default_factory=dict)

    def log(self, log: Log) -> list[Operation]:
        return [one for one in self.received if (one.device, one.epoch) == log]

    def tip(self, log: Log) -> Tip:
        held = self.log(log)
        return Tip(log[1], len(held), held[-1].hash if held else "")

    def take(self, operation: Operation, *, may_wait: bool) -> None:
        log = operation.device, operation.epoch
        held, tip = self.log(log), self.tip(log)
        there = held[operation.counter - 1].hash if operation.counter <= len(held) else None
        place = place_operation(tip, operation, there)
        if place is Place.GAP and any(
            one.hash == operation.previous for one in self.set_aside.values()
        ):
            place = Place.FORK
        if place is Place.NEXT:
            self.received.append(operation)
            for waits in [*self.waiting.values()]:
                if waits.previous == operation.hash:
                    del self.waiting[waits.reference]
                    self.take(waits, may_wait=True)
        elif place is Place.FORK:
            self.set_aside[operation.reference] = operation
        elif place is Place.GAP:
            assert may_wait, f"{operation.op_id} leaves a gap"
            self.waiting[operation.reference] = operation

    def put_back_to(self, count: int) -> None:
        self.received = self.received[:count]
        self.waiting, self.set_aside = {}, {}
        self.generation += 1


@dataclass
class Tablet:
    """One tablet: logs under its own name, what it holds, and what it knows of the unit."""

    device: str
    mark: str
    epoch: str
    held: dict[str, Operation] = field(default_factory=dict)
    logs: dict[str, list[Operation]] = field(default_factory=dict)
    at_unit: dict[str, int] = field(default_factory=dict)
    read_back: dict[str, int] = field(default_factory=dict)
    cursor: int = 0
    server: int = 0
    drawn: int = 0
    is_recovering: bool = False
    is_offering: bool = False
    is_asked_again: bool = False
    has_known_put_back: bool = False

    def state(self) -> RecordState:
        return merge_record(RECORD, self.held.values(), POLICIES)

    def tip(self, epoch: str) -> Tip:
        log = self.logs.get(epoch, [])
        return Tip(epoch, len(log), log[-1].hash if log else "")

    def hash_at(self, epoch: str, counter: int) -> str | None:
        log = self.logs.get(epoch, [])
        return "" if counter == 0 else log[counter - 1].hash if counter <= len(log) else None

    def new_epoch(self) -> str:
        self.drawn += 1
        return f"{self.mark}{self.drawn:04d}"

    def save(self, wanted: dict[str, str], over: dict[str, tuple[str, ...]]) -> Operation:
        tip = self.tip(self.epoch)
        self.drawn += 1
        operation = make_operation(
            device=self.device,
            epoch=self.epoch,
            counter=tip.counter + 1,
            previous=tip.hash,
            stream="care",
            record=RECORD,
            stamp=str(Stamp(self.drawn, 0, self.device)),
            body=Body(
                salt=f"{self.drawn:030x}{ord(self.mark):02x}",
                by="staff/s-1",
                tapped_by="staff/s-1",
                catalogue=1,
                set=wanted,
                over=over,
            ),
        )
        self.logs.setdefault(self.epoch, []).append(operation)
        self.held[operation.reference] = operation
        return operation

    def round(self, unit: Unit, *, answers: int) -> None:
        """Run one round; after so many answers of the unit the line breaks."""
        self.is_asked_again = False
        epochs = [
            epoch
            for epoch in self.logs
            if epoch == self.epoch or self.at_unit.get(epoch, 0) < len(self.logs[epoch])
        ]
        heard: AnyHeard = Start(
            epochs=tuple(epochs or [self.epoch]),
            streams=("care",),
            is_recovering=self.is_recovering,
            is_offering=self.is_offering,
        )
        state = ExchangeState()
        for _ in range(500):
            state, said = step_exchange(state, heard)
            answer: AnyHeard | None = None
            for one in said:
                if isinstance(one, Finish):
                    return
                answer = self._apply(one)
                if answer is None and isinstance(one, Greet | Push | Offer | Pull):
                    answer = self._ask(unit, one) if answers > 0 else NoAnswer()
                    answers -= 1
            assert answer is not None, f"nothing follows {heard}"
            heard = answer
        raise AssertionError("the round does not end")

    def _apply(self, said: Said) -> AnyHeard | None:
        match said:
            case NoteHeld(epoch=epoch, counter=counter):
                self.at_unit[epoch] = min(counter, len(self.logs.get(epoch, [])))
            case Recover(epoch=epoch):
                if self.epoch == epoch:
                    self.epoch = self.new_epoch()
                self.is_recovering, self.cursor = True, 0
            case ReadOwn():
                self.is_recovering, self.cursor = True, 0
            case Reissue(epoch=epoch, first=first):
                return Reissued(epoch=self._reissue(epoch, first))
            case BeginOffer():
                self.cursor, self.at_unit, self.server = 0, {}, self.seen_server
                self.is_offering = self.is_asked_again = self.has_known_put_back = True
            case EndOffer():
                self.is_offering = False
            case EndRecovery():
                self.is_recovering, self.read_back = False, self.seen_logs
        return None

    def _reissue(self, epoch: str, first: int) -> str:
        branch = self.logs[epoch][first - 1 :]
        if self.epoch == epoch:
            self.epoch = self.new_epoch()
        tip = self.tip(self.epoch)
        again = reissue_branch(branch, epoch=self.epoch, counter=tip.counter, previous=tip.hash)
        self.logs[epoch] = self.logs[epoch][: first - 1]
        self.at_unit[epoch] = first - 1
        self.logs.setdefault(self.epoch, []).extend(again)
        for one in branch:
            del self.held[one.reference]
        self.held.update({one.reference: one for one in again})
        self.is_recovering, self.cursor = True, 0
        return self.epoch

    def _ask(self, unit: Unit, said: Said) -> AnyHeard:
        match said:
            case Greet(epoch=epoch, counter=counter):
                return self._greet(unit, epoch, counter)
            case Push(epoch=epoch, first=first):
                batch = self.logs[epoch][first - 1 :][:BATCH]
                for one in batch:
                    unit.take(one, may_wait=False)
                tip = unit.tip((self.device, epoch)) if batch else None
                return Pushed(sent=len(batch), tip=tip)
            case Offer(after=after):
                others = sorted(
                    (one for one in self.held.values() if one.device != self.device),
                    key=lambda one: (one.device, one.epoch, one.counter),
                )
                known = [one.op_id for one in others].index(after) + 1 if after else 0
                for one in others[known : known + BATCH]:
                    unit.take(one, may_wait=True)
                batch = others[known : known + BATCH]
                return Offered(last=batch[-1].op_id if batch else "")
            case Pull(with_own=with_own):
                after = self.cursor
                page = unit.received[after : after + BATCH]
                for one in page:
                    if with_own or one.device != self.device:
                        self._take_in(one)
                self.cursor = after + len(page)
                return Pulled(after=after, next=self.cursor, more=self.cursor < len(unit.received))
        raise AssertionError(said)

    def _greet(self, unit: Unit, epoch: str, counter: int | None) -> Greeted:
        own = self.tip(epoch)
        asked = own if counter is None else Tip(epoch, counter, self.hash_at(epoch, counter) or "")
        log = (self.device, epoch)
        held = unit.log(log)
        tip = unit.tip(log)
        self.server = self.server or unit.generation
        self.seen_server = unit.generation
        self.seen_logs = {
            one.epoch: unit.tip((self.device, one.epoch)).counter
            for one in unit.received
            if one.device == self.device
        }
        knows = {name: len(operations) for name, operations in self.logs.items()}
        return Greeted(
            asked=asked,
            own=own,
            own_hash=self.hash_at(epoch, tip.counter),
            held=self.at_unit.get(epoch, 0),
            cursors={"care": self.cursor},
            is_other_server=self.server != unit.generation,
            answer=HandshakeAnswer(
                server=str(unit.generation),
                tip=tip,
                hash_at_device_tip=held[asked.counter - 1].hash
                if 0 < asked.counter <= len(held)
                else None,
                heads={"care": len(unit.received)},
                wall_ms=0,
                epochs=self.seen_logs,
            ),
            own_logs={
                name: max(knows.get(name, 0), self.read_back.get(name, 0))
                for name in knows.keys() | self.read_back.keys()
            },
        )

    def _take_in(self, operation: Operation) -> None:
        is_own = operation.device == self.device
        for one in [*self.held.values()]:
            if one.reference == operation.reference:
                return
            if one.op_id == operation.op_id:
                if is_own:
                    self.at_unit[operation.epoch] = 0
                if is_own or not self.has_known_put_back:
                    return
                del self.held[one.reference]
        if is_own:
            log = self.logs.setdefault(operation.epoch, [])
            end = self.tip(operation.epoch)
            if (operation.counter, operation.previous) != (end.counter + 1, end.hash):
                self.at_unit[operation.epoch] = 0
                return
            log.append(operation)
            self.at_unit[operation.epoch] = operation.counter
        self.held[operation.reference] = operation
