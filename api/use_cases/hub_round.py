"""One round of the exchange with the hub: carries messages between the machine, store and line.

The decisions are those that a tablet goes by (`sync.exchange_machine`). Every answer is applied in
one transaction before the next question, so that a round cut off anywhere goes on where it was.
"""

from collections.abc import Callable
from typing import Any

import msgspec

from api.storage.hub_line_store import HubLine
from api.storage.hub_requests import HubAnswer, HubRequests, NoAnswerError
from api.storage.unit_store import UnitStore
from api.use_cases.hub_answers import (
    OfferAnswer,
    Page,
    PushAnswer,
    UnreadableAnswerError,
    read_answer,
    tell_refusal,
)
from api.use_cases.hub_batches import cut_log, cut_signed, texts_of, write_batch
from api.use_cases.hub_changes import COPY_SENTENCE, MORE_SENTENCE, change_line
from api.use_cases.hub_heads import keep_hub_heads
from api.use_cases.registry_log import REGISTRY_STREAM, present_epoch, registry_device
from api.use_cases.server_log import Chance
from api.use_cases.server_role import HUB_DEVICE
from api.use_cases.take_registry import take_registry
from sync.exchange import MAX_BATCH_COUNT, Handshake, HandshakeAnswer, LastRead
from sync.exchange_machine import NOTHING_TAKEN, ExchangeState, step_exchange
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
    ReadOwn,
    Recover,
    Refused,
    Reissue,
    Said,
    Start,
)
from sync.operation_log import Tip
from sync.signing import write_head_text

_UNREADABLE = "The hub answered what cannot be read. See that both run releases that fit together."
_LEFT = "This unit has joined no hub. Join one with `crura hub join LINK`."
_TAKEN_NOTHING = "The hub took nothing in and gave no reason. Ask who looks after it."


class HubRound:
    """Runs rounds for one store over one line.

    Parameters
    ----------
    draw_chance : callable
        Asked for the time, and for a new epoch where one begins.
    """

    def __init__(
        self, store: UnitStore, requests: HubRequests, draw_chance: Callable[[], Chance]
    ) -> None:
        self._store, self._requests, self._draw_chance = store, requests, draw_chance
        self._heard = HandshakeAnswer(
            server="", tip=Tip("", 0, ""), hash_at_device_tip=None, heads={}, wall_ms=0
        )
        self._held_there: dict[str, int] = {}
        self._offered: set[str] = set()
        self._told = ""

    def run(self) -> Finish:
        """Run one round to its end: ``done``, ``refused`` or ``no_network``, with a sentence.

        Notes
        -----
        Rules EX1-EX4, EX8-EX10, EX14, RG10.
        """
        state, heard = ExchangeState(), self._start()
        while True:
            state, said = step_exchange(state, heard)
            answer: AnyHeard | None = None
            for one in said:
                if isinstance(one, Finish):
                    return self._finish(one)
                answer = self._do(one) or answer
            if answer is None:
                return Finish(outcome="refused", sentence=_UNREADABLE)
            heard = answer

    def _finish(self, said: Finish) -> Finish:
        sentence = _TAKEN_NOTHING if said.sentence == NOTHING_TAKEN else said.sentence
        return Finish(outcome=said.outcome, sentence=sentence or self._told)

    def _start(self) -> AnyHeard:
        chance = self._draw_chance()
        with self._store.transaction():
            line, own = self._line(), registry_device(self._store)
            present = present_epoch(self._store, new_epoch=chance.new_epoch)
            held = self._store.hub_line.held()
            counters = self._store.operations.counters_of(own)
        unsent = (epoch for epoch, counter in counters.items() if counter > held.get(epoch, 0))
        return Start(
            epochs=(present, *(epoch for epoch in unsent if epoch != present)),
            streams=(REGISTRY_STREAM,),
            is_recovering=line.is_recovering,
            is_offering=line.is_offering,
        )

    def _do(self, said: Said) -> AnyHeard | None:
        try:
            match said:
                case Greet():
                    return self._greet(said)
                case Push():
                    return self._push(said)
                case Offer():
                    return self._offer(said)
                case Pull():
                    return self._pull(said)
                case _:
                    return self._change(said)
        except NoAnswerError as error:
            self._told = str(error)
            return NoAnswer()
        except UnreadableAnswerError:
            return Refused(status=502, sentence=_UNREADABLE)

    def _change(self, said: Said) -> AnyHeard | None:
        chance = self._draw_chance()
        if isinstance(said, Reissue):
            self._told = COPY_SENTENCE
        elif isinstance(said, ReadOwn | Recover):
            self._told = MORE_SENTENCE
        with self._store.transaction():
            return change_line(
                self._store,
                said,
                heard=self._heard,
                new_epoch=chance.new_epoch,
                now_ms=chance.now_ms,
            )

    def _greet(self, said: Greet) -> AnyHeard:
        store = self._store
        with store.transaction():
            line, device = self._line(), registry_device(store)
            own = store.operations.tip_of(device, said.epoch)
            asked = own
            if said.counter is not None:
                at = self._own_hash(said.epoch, said.counter) or ""
                asked = Tip(said.epoch, said.counter, at)
        read = LastRead(line.last_read_after, line.last_read_hash)
        handshake = Handshake(
            device=device,
            tip=asked,
            cursors={REGISTRY_STREAM: line.read_to},
            catalogue=store.catalogue.version,
            wall_ms=self._draw_chance().now_ms,
            last_read={REGISTRY_STREAM: read} if line.last_read_hash else {},
        )
        answer = self._requests.post("/api/exchange/handshake", handshake)
        if not answer.is_good:
            return tell_refusal(answer)
        heard = read_answer(answer, HandshakeAnswer)
        self._heard = heard
        with store.transaction():
            if not line.server:
                self._keep(server=heard.server)
            held, counters = store.hub_line.held(), store.operations.counters_of(device)
            own_hash = self._own_hash(said.epoch, heard.tip.counter)
        return Greeted(
            asked=asked,
            own=own,
            own_hash=own_hash,
            held=held.get(said.epoch, 0),
            cursors={REGISTRY_STREAM: line.read_to},
            is_other_server=line.server not in ("", heard.server) or heard.last_read == "differs",
            answer=heard,
            own_logs={
                epoch: max(counters.get(epoch, 0), held.get(epoch, 0))
                for epoch in (*counters, *held)
            },
        )

    def _own_hash(self, epoch: str, counter: int) -> str | None:
        if counter == 0:
            return ""
        return self._store.operations.hash_at(registry_device(self._store), epoch, counter)

    def _push(self, said: Push) -> AnyHeard:
        with self._store.transaction():
            device = registry_device(self._store)
            operations = cut_log(self._store, device, said.epoch, said.first, said.most_bytes)
        if not operations:
            return Pushed(sent=0)
        last = operations[-1]
        answer = self._requests.post(
            "/api/exchange/push",
            {
                "device": device,
                **write_batch(device, operations),
                "signature": self._requests.sign(
                    write_head_text(last.device, last.epoch, last.counter, last.hash)
                ),
            },
        )
        if not answer.is_good:
            return tell_refusal(answer)
        taken = read_answer(answer, PushAnswer)
        noted_ms = self._draw_chance().now_ms
        with self._store.transaction():
            for aside in taken.quarantined:
                self._store.hub_line.note_refused(aside.op_id, aside.sentence, noted_ms=noted_ms)
        if taken.quarantined and taken.tip.counter < said.first:
            return Refused(status=422, sentence=taken.quarantined[0].sentence)
        return Pushed(sent=len(operations), tip=taken.tip)

    def _offer(self, said: Offer) -> AnyHeard:
        """Offer what the hub itself had written and lost: of a unit's own it is sent the rest."""
        with self._store.transaction():
            counters = self._store.operations.counters_of(HUB_DEVICE)
        if not said.after:
            self._offered.clear()
            logs = [(HUB_DEVICE, epoch) for epoch in counters][:MAX_BATCH_COUNT]
            answer = self._resupply(logs=logs)
            if not answer.is_good:
                return tell_refusal(answer)
            self._held_there = {
                one.epoch: one.counter for one in read_answer(answer, OfferAnswer).held
            }
        _, epoch_before, counter = (said.after or "..0").split(".")
        for epoch in counters:
            is_last = epoch == epoch_before
            if epoch in self._offered and not is_last:
                continue
            self._offered.add(epoch)
            # Beginning with the last that both hold: where it is another one there, it is told.
            shared = min(self._held_there.get(epoch, 0), counters[epoch]) - 1
            after = max(shared, int(counter) if is_last else 0)
            with self._store.transaction():
                waiting, signed = cut_signed(self._store, epoch, after + 1)
            if not waiting:
                continue
            content = {"heads": signed} if signed else {}
            answer = self._resupply(operations=texts_of(waiting), **content)
            return Offered(last=waiting[-1].op_id) if answer.is_good else tell_refusal(answer)
        return Offered(last="")

    def _resupply(self, **content: Any) -> HubAnswer:  # noqa: ANN401  any JSON
        with self._store.transaction():
            device = registry_device(self._store)
        return self._requests.post("/api/exchange/resupply", {"device": device, **content})

    def _pull(self, said: Pull) -> AnyHeard:
        with self._store.transaction():
            after = self._line().read_to
        answer = self._requests.get(
            "/api/exchange/pull",
            stream=said.stream,
            after=after,
            limit=said.limit,
            own=said.with_own,
            heads="page",
        )
        if not answer.is_good:
            return tell_refusal(answer)
        page = read_answer(answer, Page)
        now_ms = self._draw_chance().now_ms
        with self._store.transaction():
            taken = take_registry(
                self._store, page.operations, with_own=said.with_own, now_ms=now_ms
            )
            keep_hub_heads(self._store, page.heads)
            self._keep(read_to=page.next)
            if taken.last_of_hub:
                self._keep(last_read_after=page.next, last_read_hash=taken.last_of_hub)
        if taken.set_aside:
            self._told = taken.set_aside[0].sentence
        return Pulled(after=after, next=page.next, more=page.more, is_empty=not page.operations)

    def _line(self) -> HubLine:
        line = self._store.hub_line.find()
        if line is None:
            raise NoAnswerError(_LEFT)
        return line

    def _keep(self, **changed: object) -> None:
        self._store.hub_line.keep(msgspec.structs.replace(self._line(), **changed))
