"""A simulated tablet: saves on its disk, and carries messages for the exchange machine.

The decisions are those of the product (`sync.exchange_machine`, `sync.reissue`, `sync.clock`);
what the browser app does around them is done here on a simulated disk.
"""

from collections.abc import Generator, Mapping
from typing import Any

from sync.clock import next_stamp, read_stamp, take_notice
from sync.exchange import MAX_BATCH_COUNT, Handshake, HandshakeAnswer, cut_batch
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
    Recover,
    Refused,
    Reissue,
    Reissued,
    Said,
    Start,
)
from sync.operation import Body, Operation, make_operation, read_operation
from sync.operation_log import Place, place_operation
from sync.reissue import reissue_branch
from tests.simulator.tablet_disk import Memory, TabletDisk, Texts
from tests.simulator.unit import Answer, Request

# What a tablet asks of the network, and what it gets back: None when nothing came.
# Bounds of the product are too wide for a ward of thirty entries: pages and batches are cut small.
PAGE_COUNT = 4
BATCH_BYTES = 3_000
Talk = Generator[Request, Answer | None, Finish]


class Tablet:
    """One tablet of the ward.

    Parameters
    ----------
    label : name within the simulation; a clone has another label and the same device id.
    """

    def __init__(
        self, label: str, device: str, streams: tuple[str, ...], disk: TabletDisk, wall_ms: int
    ) -> None:
        self.label, self.device, self.streams, self.disk = label, device, streams, disk
        self.wall_ms = wall_ms
        self.talk: Talk | None = None
        self.waits_for: Request | None = None
        self.form: tuple[str, dict[str, tuple[str, ...]]] | None = None
        self._drawn = 0
        self._unit_holds: dict[tuple[str, str], int] = {}
        self._offered: set[tuple[str, str]] = set()
        self._server = ""

    @property
    def memory(self) -> Memory:
        """What is on the disk."""
        return self.disk.committed

    def _new_epoch(self) -> str:
        # Two copies of one tablet draw apart: the label is part of it.
        self._drawn += 1
        return f"{self.label.replace('-', '')[-6:]}{self._drawn:05d}"

    def save(
        self,
        stream: str,
        record: str,
        *,
        values: Mapping[str, Any],
        over: Mapping[str, tuple[str, ...]],
        retract: tuple[str, ...] = (),
        salt: str,
    ) -> Operation:
        """Save one operation; when this returns the person has been told that it is saved."""
        with self.disk.write() as memory:
            tip = memory.tip(memory.epoch)
            stamp = next_stamp(memory.clock, wall_ms=self.wall_ms, device=self.device)
            assert memory.clock is None or stamp > memory.clock, "HC2"
            operation = make_operation(
                device=self.device,
                epoch=memory.epoch,
                counter=tip.counter + 1,
                previous=tip.hash,
                stream=stream,
                record=record,
                stamp=str(stamp),
                body=Body(
                    salt=salt,
                    by="staff/s-1",
                    tapped_by="staff/s-1",
                    catalogue=1,
                    set=dict(values),
                    over=dict(over),
                    retract=retract,
                ),
            )
            memory.insert(operation)
            memory.change_epoch(memory.epoch, counter=operation.counter, hash=operation.hash)
            memory.clock = stamp
        return operation

    def exchange(self) -> Talk:
        """Run one round; yields requests and is sent their answers."""
        memory = self.memory
        state = ExchangeState()
        heard: AnyHeard = Start(
            epochs=tuple(
                epoch
                for epoch, own in memory.epochs.items()
                if epoch == memory.epoch or own.counter > own.held
            ),
            streams=self.streams,
            is_recovering=memory.is_recovering,
            is_offering=memory.is_offering,
        )
        while True:
            state, said = step_exchange(state, heard)
            answer: AnyHeard | None = None
            for one in said:
                if isinstance(one, Finish):
                    return one
                if isinstance(one, Greet | Push | Offer | Pull):
                    answer = yield from self._ask(one)
                else:
                    answer = self._change(one)
            assert answer is not None, f"nothing follows {heard}"
            heard = answer

    def _ask(self, said: Said) -> Generator[Request, Answer | None, AnyHeard]:
        if isinstance(said, Greet):
            return (yield from self._greet(said))
        if isinstance(said, Push):
            return (yield from self._push(said))
        if isinstance(said, Offer):
            return (yield from self._offer(said))
        assert isinstance(said, Pull)
        return (yield from self._pull(said))

    def _own_hash(self, epoch: str, counter: int) -> str | None:
        if counter == 0:
            return ""
        held = self.memory.operations.get((self.device, epoch, counter))
        return held.hash if held else None

    def _greet(self, said: Greet) -> Generator[Request, Answer | None, AnyHeard]:
        own = self.memory.tip(said.epoch)
        asked = own
        if said.counter is not None:
            at = self._own_hash(said.epoch, said.counter) or ""
            asked = type(own)(said.epoch, said.counter, at)
        cursors = dict(self.memory.cursors)
        handshake = Handshake(
            device=self.device, tip=asked, cursors=cursors, catalogue=1, wall_ms=self.wall_ms
        )
        answer = yield Request("handshake", self.device, handshake=handshake)
        if answer is None or answer.refusal:
            return _trouble(answer)
        assert isinstance(answer.content, HandshakeAnswer)
        self._server = answer.content.server
        known = self.memory.server
        if known is None:
            with self.disk.write() as memory:
                memory.server = self._server
        return Greeted(
            asked=asked,
            own=self.memory.tip(said.epoch),
            own_hash=self._own_hash(said.epoch, answer.content.tip.counter),
            held=self.memory.epochs[said.epoch].held,
            cursors=cursors,
            is_other_server=known not in (None, self._server),
            answer=answer.content,
        )

    def _push(self, said: Push) -> Generator[Request, Answer | None, AnyHeard]:
        waiting = _cut(self.memory.of_log(self.device, said.epoch, said.first), BATCH_BYTES)
        if not waiting:
            return Pushed(sent=0)
        answer = yield Request("push", self.device, texts=waiting)
        if answer is None or answer.refusal:
            return _trouble(answer)
        with self.disk.write() as memory:
            for aside in answer.content.quarantined:
                memory.quarantine[aside.op_id] = aside.sentence
        return Pushed(sent=len(waiting), tip=answer.content.tip)

    def _offer(self, said: Offer) -> Generator[Request, Answer | None, AnyHeard]:
        places = self.memory.operations
        logs = sorted({place[:2] for place in places if place[0] != self.device})
        if not said.after:
            self._offered.clear()
            answer = yield Request("resupply", self.device, logs=logs)
            if answer is None or answer.refusal:
                return _trouble(answer)
            self._unit_holds = {(one.device, one.epoch): one.counter for one in answer.content.held}
        device, epoch, counter = (said.after or "..0").split(".")
        for log in logs:
            is_last = log == (device, epoch)
            if log in self._offered and not is_last:
                continue
            after = max(self._unit_holds.get(log, 0), int(counter) if is_last else 0)
            waiting = _cut(self.memory.of_log(*log, after + 1), BATCH_BYTES)
            self._offered.add(log)
            if not waiting:
                continue
            answer = yield Request("resupply", self.device, texts=waiting)
            if answer is None or answer.refusal:
                return _trouble(answer)
            return Offered(last=read_operation(*waiting[-1]).op_id)
        self._offered.clear()
        return Offered(last="")

    def _pull(self, said: Pull) -> Generator[Request, Answer | None, AnyHeard]:
        after = self.memory.cursors.get(said.stream, 0) if said.after is None else said.after
        answer = yield Request(
            "pull",
            self.device,
            stream=said.stream,
            after=after,
            limit=PAGE_COUNT,
            own=said.with_own,
        )
        if answer is None or answer.refusal:
            return _trouble(answer)
        page = answer.content
        with self.disk.write() as memory:
            for _, envelope, body in page.operations:
                self._take_in(memory, read_operation(envelope, body))
            memory.cursors[said.stream] = page.next
        return Pulled(after=after, next=page.next, more=page.more)

    def _take_in(self, memory: Memory, operation: Operation) -> None:
        place = operation.device, operation.epoch, operation.counter
        held = memory.operations.get(place)
        if held is not None:
            if place_operation(None, operation, held.hash) is Place.FORK:
                memory.quarantine[operation.op_id] = "came in two versions"
            return
        memory.insert(operation)
        if operation.device == self.device:
            own = memory.epochs.get(operation.epoch)
            if own is None or operation.counter > own.counter:
                memory.change_epoch(operation.epoch, counter=operation.counter, hash=operation.hash)
            held_now = max(memory.epochs[operation.epoch].held, operation.counter)
            memory.change_epoch(operation.epoch, held=held_now)
        stamp = read_stamp(operation.stamp)
        assert stamp is not None
        memory.clock = take_notice(memory.clock, stamp, wall_ms=self.wall_ms)

    def _change(self, said: Said) -> AnyHeard | None:
        with self.disk.write() as memory:
            match said:
                case NoteHeld(epoch=epoch, counter=counter):
                    most = memory.epochs[epoch].counter
                    memory.change_epoch(epoch, held=min(counter, most))
                case Recover(epoch=epoch):
                    if memory.epoch == epoch:
                        memory.begin_epoch(self._new_epoch())
                    memory.cursors, memory.is_recovering = {}, True
                case Reissue(epoch=epoch, first=first):
                    self._write_branch_again(memory, epoch, first)
                    return Reissued(epoch=memory.epoch)
                case BeginOffer():
                    memory.server, memory.cursors, memory.is_offering = self._server, {}, True
                    for epoch in memory.epochs:
                        memory.change_epoch(epoch, held=0)
                case EndOffer():
                    memory.is_offering = False
                case EndRecovery():
                    memory.is_recovering = False
        return None

    def _write_branch_again(self, memory: Memory, epoch: str, first: int) -> None:
        if memory.epoch == epoch:
            memory.begin_epoch(self._new_epoch())
        branch = memory.of_log(self.device, epoch, first)
        tip = memory.tip(memory.epoch)
        again = reissue_branch(branch, epoch=tip.epoch, counter=tip.counter, previous=tip.hash)
        for one, other in zip(branch, again, strict=True):
            memory.forked[one.reference] = (one.envelope_text, one.body_text or "")
            del memory.operations[one.device, one.epoch, one.counter]
            memory.insert(other)
            memory.change_epoch(other.epoch, counter=other.counter, hash=other.hash)
        before = memory.operations.get((self.device, epoch, first - 1))
        memory.change_epoch(
            epoch,
            counter=first - 1,
            hash=before.hash if before else "",
            held=first - 1,
            is_forked=True,
        )
        memory.cursors, memory.is_recovering = {}, True


def _trouble(answer: Answer | None) -> AnyHeard:
    if answer is None:
        return NoAnswer()
    return Refused(status=answer.status, sentence=answer.refusal)


def _cut(operations: list[Operation], most_bytes: int) -> list[Texts]:
    texts = [(one.envelope_text, one.body_text or "") for one in operations[:MAX_BATCH_COUNT]]
    sizes = [len(envelope) + len(body.encode()) for envelope, body in texts]
    return texts[: cut_batch(sizes, most_bytes)]
