"""Carries messages between the exchange machine, a simulated disk and the network.

The decisions are those of the product (`sync.exchange_machine`); what the browser app does around
them is done here.
"""

import gzip
import hashlib
import json
from collections.abc import Generator

from sync.exchange import MAX_BATCH_COUNT, Handshake, HandshakeAnswer, cut_batch
from sync.exchange_machine import ExchangeState, step_exchange
from sync.exchange_messages import (
    AnyHeard,
    Finish,
    Greet,
    Greeted,
    NoAnswer,
    Offer,
    Offered,
    Pull,
    Pulled,
    Push,
    Pushed,
    Refused,
    Said,
    Start,
)
from sync.operation import Operation, read_operation
from tests.simulator.tablet_disk import Memory, TabletDisk, Texts
from tests.simulator.tablet_store import (
    change,
    last_read_of,
    note_last_read,
    records_in_part,
    show_whole_cases,
    take_in,
)
from tests.simulator.unit import Answer, Request
from tests.unit.api.signing_device import SigningDevice

# What a tablet asks of the network, and what it gets back: None when nothing came.
# Bounds of the product are too wide for a ward of thirty entries: pages and batches are cut small.
PAGE_COUNT = 4
BATCH_BYTES = 3_000
Talk = Generator[Request, Answer | None, Finish]
KEY_IS_LOST = "This tablet has lost the key it signs with."


class ExchangingTablet:
    """The part of a tablet that exchanges.

    Parameters
    ----------
    label : name within the simulation; a clone has another label and the same device id.
    key : what it signs with; it lies apart from the disk and is never put back with it.
    """

    def __init__(
        self,
        label: str,
        device: str,
        role: str,
        streams: tuple[str, ...],
        disk: TabletDisk,
        key: SigningDevice,
        wall_ms: int,
    ) -> None:
        self.label, self.device, self.role, self.streams = label, device, role, streams
        self.disk, self.key, self.wall_ms = disk, key, wall_ms
        self.talk: Talk | None = None
        self.waits_for: Request | None = None
        self.open_case = ""
        self._drawn = 0
        self._unit_holds: dict[tuple[str, str], int] = {}
        self._offered: set[tuple[str, str]] = set()
        self._server = ""
        self._logs_there: dict[str, int] = {}

    @property
    def memory(self) -> Memory:
        """What is on the disk."""
        return self.disk.committed

    def _new_epoch(self) -> str:
        # Two copies of one tablet draw apart: the label is part of it.
        self._drawn += 1
        return f"{self.label.replace('-', '')[-6:]}{self._drawn:05d}"

    def begin(self) -> Talk:
        """Start from the unit's segments, as a tablet does once it has joined (SN3)."""
        for stream in self.streams:
            answer = yield Request("segments", self.device, stream=stream)
            for segment in answer.content.segments if answer and not answer.refusal else ():
                asked = Request("segment", self.device, digest=segment.digest)
                part = yield asked
                if part is None or part.refusal:
                    break
                assert hashlib.sha256(part.content).hexdigest() == segment.digest
                rows = [json.loads(line) for line in gzip.decompress(part.content).splitlines()]
                with self.disk.write() as memory:
                    for _, envelope, body in rows:
                        operation = read_operation(envelope, body)
                        take_in(memory, operation, self.device, self.wall_ms)
                    note_last_read(memory, self.device, stream, rows, segment.last)
                    memory.cursors[stream] = segment.last
        return Finish(outcome="done", sentence="began from segments")

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
            open_case=self.open_case,
            is_recovering=memory.is_recovering,
            is_offering=memory.is_offering,
        )
        while True:
            state, said = step_exchange(state, heard)
            answer: AnyHeard | None = None
            for one in said:
                if isinstance(one, Finish):
                    if one.outcome == "done":
                        yield from self._recall_cases()
                    return one
                if isinstance(one, Greet | Push | Offer | Pull):
                    answer = yield from self._ask(one)
                else:
                    with self.disk.write() as changed:
                        answer = change(
                            changed,
                            one,
                            self.device,
                            new_epoch=self._new_epoch(),
                            server=self._server,
                            logs=self._logs_there,
                        )
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
            device=self.device,
            tip=asked,
            cursors=cursors,
            catalogue=1,
            wall_ms=self.wall_ms,
            last_read=last_read_of(self.memory),
        )
        answer = yield Request("handshake", self.device, handshake=handshake)
        if answer is None or answer.refusal:
            return _trouble(answer)
        assert isinstance(answer.content, HandshakeAnswer)
        self._server, self._logs_there = answer.content.server, answer.content.epochs
        known = self.memory.server
        if known is None:
            with self.disk.write() as memory:
                memory.server = self._server
        return Greeted(
            asked=asked,
            own=own,
            own_hash=self._own_hash(said.epoch, answer.content.tip.counter),
            held=self.memory.epochs[said.epoch].held,
            cursors=cursors,
            is_other_server=known not in (None, self._server)
            or answer.content.last_read == "differs",
            answer=answer.content,
            own_logs=self.memory.own_logs(),
        )

    def _push(self, said: Push) -> Generator[Request, Answer | None, AnyHeard]:
        operations = _cut(self.memory.of_log(self.device, said.epoch, said.first), BATCH_BYTES)
        if not operations:
            return Pushed(sent=0)
        if self.memory.own_key != self.key.key_text:
            return Refused(status=422, sentence=KEY_IS_LOST)
        texts, signature = texts_of(operations), self.key.sign_head(operations[-1])
        answer = yield Request("push", self.device, texts=texts, signature=signature)
        if answer is None or answer.refusal:
            return _trouble(answer)
        aside = answer.content.quarantined
        if aside and answer.content.tip.counter < said.first:
            return Refused(status=422, sentence=aside[0].sentence)
        with self.disk.write() as memory:
            by_id = {one.op_id: pair for one, pair in zip(operations, texts, strict=True)}
            for one in aside:
                # What others brought of this log and waited may be set aside by it too.
                if one.op_id in by_id:
                    memory.quarantine[by_id[one.op_id]] = one.sentence
        return Pushed(sent=len(operations), tip=answer.content.tip)

    def _offer(self, said: Offer) -> Generator[Request, Answer | None, AnyHeard]:
        places = self.memory.operations
        logs = sorted({place[:2] for place in places if place[0] != self.device})
        if not said.after:
            self._offered.clear()
            answer = yield Request("resupply", self.device, logs=logs)
            if answer is None or answer.refusal:
                return _trouble(answer)
            self._unit_holds = {}
            for one in answer.content.held:
                # Beginning with the last that both hold: where it is another one there, the unit
                # tells of two versions (EX19).
                log = one.device, one.epoch
                shared = min(one.counter, max(place[2] for place in places if place[:2] == log))
                self._unit_holds[log] = shared - 1
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
            heads = self.memory.heads_over(waiting)
            answer = yield Request("resupply", self.device, texts=texts_of(waiting), heads=heads)
            if answer is None or answer.refusal:
                return _trouble(answer)
            return Offered(last=waiting[-1].op_id)
        self._offered.clear()
        return Offered(last="")

    def _pull(self, said: Pull) -> Generator[Request, Answer | None, AnyHeard]:
        cursor = self.memory.cursors.get(said.stream, 0)
        after = cursor if said.after is None else said.after
        has_read_heads = said.stream in self.memory.streams_with_heads
        answer = yield Request(
            "pull",
            self.device,
            stream=said.stream,
            after=after,
            limit=PAGE_COUNT,
            own=said.with_own,
            record=said.record,
            wanted="page" if said.record or has_read_heads else "all",
        )
        if answer is None or answer.refusal:
            return _trouble(answer)
        page = answer.content
        with self.disk.write() as memory:
            memory.heads |= dict.fromkeys(page.heads)
            for _, envelope, body in page.operations:
                take_in(memory, read_operation(envelope, body), self.device, self.wall_ms)
            # A page of one case is out of the order of the stream: its cursor stays.
            if not said.record:
                note_last_read(memory, self.device, said.stream, page.operations, page.next)
                memory.cursors[said.stream] = page.next
                memory.streams_with_heads[said.stream] = None
        return Pulled(after=after, next=page.next, more=page.more)

    def _recall_cases(self) -> Generator[Request, Answer | None, None]:
        for case, dropped in [*self.memory.dropped.items()]:
            if dropped.is_wanted:
                yield from self._recall(case)
                # While the answer was on its way the store may have been put back or wiped.
                if case not in self.memory.dropped:
                    continue
                for record in records_in_part(self.memory, case):
                    yield from self._recall(record)
        with self.disk.write() as memory:
            show_whole_cases(memory)

    def _recall(self, record: str) -> Generator[Request, Answer | None, None]:
        after, more = 0, True
        while more:
            said = Pull(stream="care", limit=PAGE_COUNT, record=record, after=after, with_own=True)
            heard = yield from self._pull(said)
            if not isinstance(heard, Pulled):
                return
            more, after = heard.more and heard.next > after, heard.next


def _trouble(answer: Answer | None) -> AnyHeard:
    if answer is None:
        return NoAnswer()
    return Refused(status=answer.status, sentence=answer.refusal)


def texts_of(operations: list[Operation]) -> list[Texts]:
    return [(one.envelope_text, one.body_text or "") for one in operations]


def _cut(operations: list[Operation], most_bytes: int) -> list[Operation]:
    texts = texts_of(operations[:MAX_BATCH_COUNT])
    sizes = [len(envelope) + len(body.encode()) for envelope, body in texts]
    return operations[: cut_batch(sizes, most_bytes)]
