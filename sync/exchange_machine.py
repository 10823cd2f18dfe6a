"""The device's side of the exchange as a table: (state, message) -> (state, messages out).

Pure twin of `exchange-machine.ts`. Out go changes of the own store and then one request at most,
or the end of the round. Every way through a round is finite: a counter, a cursor or the stretch
in which a fork is searched moves on with each answer, or the round ends.
"""

from collections.abc import Callable
from enum import StrEnum
from typing import Any

import msgspec

from sync.exchange import (
    FIRST_BATCH_BYTES,
    FIRST_PAGE_COUNT,
    MAX_BATCH_BYTES,
    MAX_BATCH_COUNT,
    Standing,
    compare_tips,
)
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
    Refused,
    Reissue,
    Reissued,
    Said,
    Start,
)

FORBIDDEN = 403
UNPROCESSABLE = 422
NOTHING_TAKEN = (
    "The unit took nothing in and gave no reason. Everything is kept on this tablet; "
    "ask the data manager."
)
# Pages may come empty where entries are damaged or destroyed; a server that hands out nothing else
# would hold a round open for ever. Project default.
MOST_EMPTY_PAGES = 20
ONLY_EMPTY_PAGES = (
    "Page after page came without an entry, so the exchange was ended. It is tried again; if this "
    "stays so, tell the data manager."
)


class Phase(StrEnum):
    """What the machine waits for."""

    RESTING = "resting"
    GREETING = "greeting"
    FINDING_FORK = "finding_fork"
    REISSUING = "reissuing"
    PULLING_CASE = "pulling_case"
    PUSHING = "pushing"
    OFFERING = "offering"
    PULLING = "pulling"


class ExchangeState(msgspec.Struct, frozen=True, kw_only=True):
    """Where a round stands.

    Parameters
    ----------
    epochs, streams : what is still to be exchanged, the present one first.
    case_streams : streams of which the open case is still to be asked.
    first : counter of the next own operation to push, 0 when the unit holds all.
    most_bytes, limit : size of the next batch and page.
    low, high : counters between which a fork is searched.
    empty_pages : how many pages of this round held no entry and were not the last.
    sentence : what a person has to be told at the end.
    """

    phase: Phase = Phase.RESTING
    epochs: tuple[str, ...] = ()
    streams: tuple[str, ...] = ()
    case_streams: tuple[str, ...] = ()
    open_case: str = ""
    is_recovering: bool = False
    is_offering: bool = False
    heads: dict[str, int] = {}
    cursors: dict[str, int] = {}
    first: int = 0
    most_bytes: int = FIRST_BATCH_BYTES
    limit: int = FIRST_PAGE_COUNT
    low: int = 0
    high: int = 0
    empty_pages: int = 0
    sentence: str = ""


Step = tuple[ExchangeState, tuple[Said, ...]]
_with = msgspec.structs.replace


def step_exchange(state: ExchangeState, heard: AnyHeard) -> Step:
    """Return the next state and what the device says.

    Notes
    -----
    Rules EX2-EX4, EX8-EX10, EX14, EX22. A message that the phase does not wait for changes nothing
    (EX8).
    """
    turn = TABLE.get((state.phase, type(heard)))
    return turn(state, heard) if turn else (state, ())


def _start(_: ExchangeState, heard: Start) -> Step:
    state = ExchangeState(
        epochs=heard.epochs,
        streams=heard.streams,
        case_streams=heard.streams if heard.open_case else (),
        open_case=heard.open_case,
        is_recovering=heard.is_recovering,
        is_offering=heard.is_offering,
    )
    return _greet_next(state)


def _greet_next(state: ExchangeState) -> Step:
    """Go on with the next own epoch; after the last one offer, then pull."""
    if state.epochs:
        return _with(state, phase=Phase.GREETING, first=0), (Greet(epoch=state.epochs[0]),)
    if state.is_offering:
        return _with(state, phase=Phase.OFFERING), (Offer(after=""),)
    return _pull_next(state)


def _greeted(state: ExchangeState, heard: Greeted) -> Step:
    epoch, tip = state.epochs[0], heard.answer.tip
    said: list[Said] = []
    state = _with(state, heads=heard.answer.heads, cursors=heard.cursors)
    is_put_back = heard.is_other_server or any(
        cursor > state.heads.get(stream, cursor) for stream, cursor in heard.cursors.items()
    )
    comparison = compare_tips(heard.own, heard.answer, heard.own_hash)
    if comparison.standing is Standing.FORK:
        high = min(heard.own.counter, tip.counter)
        state = _with(state, phase=Phase.FINDING_FORK, low=1, high=high)
        return state, (Greet(epoch=epoch, counter=(1 + high) // 2),)
    if comparison.standing is Standing.DEVICE_BEHIND:
        said += [NoteHeld(epoch=epoch, counter=heard.own.counter), Recover(epoch=epoch)]
        state = _with(state, is_recovering=True, cursors={})
    else:
        is_put_back = is_put_back or tip.counter < heard.held
        said.append(NoteHeld(epoch=epoch, counter=tip.counter))
    if not state.is_recovering and any(
        counter > heard.own_logs.get(name, 0)
        for name, counter in heard.answer.epochs.items()
        if name != epoch
    ):
        said.append(ReadOwn())
        state = _with(state, is_recovering=True, cursors={})
    if is_put_back:
        said.append(BeginOffer())
        state = _with(state, is_offering=True, cursors={})
    state = _with(state, first=comparison.send_from)
    state, request = _pull_case(state)
    return state, (*said, *request)


def _search_fork(state: ExchangeState, heard: Greeted) -> Step:
    """Halve the stretch until the first counter is found at which both logs differ (EX9)."""
    asked = heard.asked.counter
    is_same = heard.answer.hash_at_device_tip == heard.asked.hash
    low, high = (asked + 1, state.high) if is_same else (state.low, asked)
    if low > high:
        # The unit changed in between: the next round compares anew.
        return _drop_epoch(_with(state, low=0, high=0))
    if low == high == asked:
        said: tuple[Said, ...] = (
            NoteHeld(epoch=state.epochs[0], counter=low - 1),
            Reissue(epoch=state.epochs[0], first=low),
        )
        # The other branch is under our own name: it comes back by a pull of own entries.
        state = _with(state, phase=Phase.REISSUING, low=0, high=0, is_recovering=True, cursors={})
        return state, said
    greet = Greet(epoch=state.epochs[0], counter=(low + high) // 2)
    return _with(state, low=low, high=high), (greet,)


def _reissued(state: ExchangeState, heard: Reissued) -> Step:
    others = tuple(epoch for epoch in state.epochs[1:] if epoch != heard.epoch)
    return _greet_next(_with(state, epochs=(heard.epoch, *others)))


def _pull_case(state: ExchangeState) -> Step:
    """Ask for the open case before the own backlog is sent (EX14).

    Not while something is offered: what is read would hide how far both hold the same (EX19).
    """
    while state.case_streams and not state.is_offering:
        stream = state.case_streams[0]
        after = state.cursors.get(stream, 0)
        if after < state.heads.get(stream, 0):
            pull = Pull(
                stream=stream,
                limit=MAX_BATCH_COUNT,
                record=state.open_case,
                after=after,
                with_own=state.is_recovering,
            )
            return _with(state, phase=Phase.PULLING_CASE), (pull,)
        state = _with(state, case_streams=state.case_streams[1:])
    return _push(state)


def _case_pulled(state: ExchangeState, heard: Pulled) -> Step:
    state = _count_empty(state, heard)
    if state.empty_pages > MOST_EMPTY_PAGES:
        return _end_empty()
    if heard.more and heard.next > heard.after:
        pull = Pull(
            stream=state.case_streams[0],
            limit=MAX_BATCH_COUNT,
            record=state.open_case,
            after=heard.next,
            with_own=state.is_recovering,
        )
        return state, (pull,)
    return _pull_case(_with(state, case_streams=state.case_streams[1:]))


def _case_refused(state: ExchangeState, heard: Refused) -> Step:
    """Go on to the push: the stream brings the case too, and who reads nothing may hand over.

    A unit of an older release knows no lane; a revoked device reads nothing (EX12).
    """
    if heard.status in (FORBIDDEN, UNPROCESSABLE):
        return _push(_with(state, case_streams=()))
    return _refused(state, heard)


def _push(state: ExchangeState) -> Step:
    if state.first == 0:
        return _drop_epoch(state)
    push = Push(epoch=state.epochs[0], first=state.first, most_bytes=state.most_bytes)
    return _with(state, phase=Phase.PUSHING), (push,)


def _pushed(state: ExchangeState, heard: Pushed) -> Step:
    if heard.sent == 0 or heard.tip is None:
        return _drop_epoch(state)
    if heard.tip.epoch != state.epochs[0] or heard.tip.counter < state.first:
        return _drop_epoch(_with(state, sentence=NOTHING_TAKEN))
    held = NoteHeld(epoch=state.epochs[0], counter=heard.tip.counter)
    larger = min(state.most_bytes * 2, MAX_BATCH_BYTES)
    state, request = _push(_with(state, first=heard.tip.counter + 1, most_bytes=larger))
    return state, (held, *request)


def _push_refused(state: ExchangeState, heard: Refused) -> Step:
    """Go on to the pull: a refused batch must not keep others' entries from this device."""
    if heard.status == UNPROCESSABLE:
        return _drop_epoch(_with(state, sentence=heard.sentence))
    return _refused(state, heard)


def _drop_epoch(state: ExchangeState) -> Step:
    return _greet_next(_with(state, epochs=state.epochs[1:]))


def _offered(state: ExchangeState, heard: Offered) -> Step:
    if heard.last:
        return state, (Offer(after=heard.last),)
    state, request = _pull_next(_with(state, is_offering=False))
    return state, (EndOffer(), *request)


def _offer_refused(state: ExchangeState, heard: Refused) -> Step:
    """End the offer, so that it is not made for ever: a person is told, and the pull goes on."""
    state, request = _pull_next(_with(state, is_offering=False, sentence=heard.sentence))
    return state, (EndOffer(), *request)


def _pull_next(state: ExchangeState) -> Step:
    """Go on with the next stream that has more; after the last one the round is over."""
    while state.streams:
        stream = state.streams[0]
        head = state.heads.get(stream)
        if state.is_recovering or head is None or head > state.cursors.get(stream, 0):
            pull = Pull(stream=stream, limit=state.limit, with_own=state.is_recovering)
            return _with(state, phase=Phase.PULLING), (pull,)
        state = _with(state, streams=state.streams[1:])
    said: tuple[Said, ...] = (Finish(outcome="done", sentence=state.sentence),)
    if state.is_recovering:
        said = (EndRecovery(), *said)
    return ExchangeState(), said


def _count_empty(state: ExchangeState, heard: Pulled) -> ExchangeState:
    is_counted = heard.is_empty and heard.more
    return _with(state, empty_pages=state.empty_pages + 1) if is_counted else state


def _end_empty() -> Step:
    """End the round, not the recovery: the next one goes on where this one read to (EX22)."""
    return ExchangeState(), (Finish(outcome="refused", sentence=ONLY_EMPTY_PAGES),)


def _pulled(state: ExchangeState, heard: Pulled) -> Step:
    state = _count_empty(state, heard)
    if state.empty_pages > MOST_EMPTY_PAGES:
        return _end_empty()
    if heard.more and heard.next > heard.after:
        state = _with(state, limit=min(state.limit * 2, MAX_BATCH_COUNT))
        pull = Pull(stream=state.streams[0], limit=state.limit, with_own=state.is_recovering)
        return state, (pull,)
    return _pull_next(_with(state, streams=state.streams[1:]))


def _refused(_: ExchangeState, heard: Refused) -> Step:
    return ExchangeState(), (Finish(outcome="refused", sentence=heard.sentence),)


def _unanswered(_: ExchangeState, __: NoAnswer) -> Step:
    return ExchangeState(), (Finish(outcome="no_network"),)


_AWAITING = tuple(phase for phase in Phase if phase is not Phase.RESTING)
# Each turn takes the one message type under which it stands.
Turn = Callable[[ExchangeState, Any], Step]
TABLE: dict[tuple[Phase, type], Turn] = {
    **{(phase, Refused): _refused for phase in _AWAITING},
    **{(phase, NoAnswer): _unanswered for phase in _AWAITING},
    (Phase.RESTING, Start): _start,
    (Phase.GREETING, Greeted): _greeted,
    (Phase.FINDING_FORK, Greeted): _search_fork,
    (Phase.REISSUING, Reissued): _reissued,
    (Phase.PULLING_CASE, Pulled): _case_pulled,
    (Phase.PULLING_CASE, Refused): _case_refused,
    (Phase.PUSHING, Pushed): _pushed,
    (Phase.PUSHING, Refused): _push_refused,
    (Phase.OFFERING, Offered): _offered,
    (Phase.OFFERING, Refused): _offer_refused,
    (Phase.PULLING, Pulled): _pulled,
}
