"""The device's side of the exchange, by the shared vectors, and that no round goes on for ever."""

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sync.exchange import HandshakeAnswer
from sync.exchange_machine import ExchangeState, Phase, step_exchange
from sync.exchange_messages import (
    Finish,
    Greet,
    Greeted,
    Offer,
    Offered,
    Pull,
    Pulled,
    Push,
    Pushed,
    Reissue,
    Reissued,
    Start,
    read_heard,
)
from sync.operation_log import Tip
from tests.unit.sync.vectors import cases


@pytest.mark.parametrize("case", cases("exchange/machine.json"))
def test_the_machine_says_what_the_vector_says(case):
    """[EX8].

    Caught, each planted in turn and taken out again: the search for a fork began at 0; a lane
    was asked for though nothing was new; a refused offer was kept for the next round.
    """
    state = ExchangeState()
    for heard, wanted in zip(case["given"], case["expect"]["said"], strict=True):
        state, said = step_exchange(state, read_heard(heard))

        assert msgspec.to_builtins(said, builtin_types=()) == tuple(wanted)
    assert state.phase == case["expect"]["phase"]


class _Unit:
    """Answers in any way a unit may, also a mad one: every answer is drawn."""

    def __init__(self, draw, own):
        self.draw, self.own = draw, own
        self.is_stubborn = draw(st.booleans())

    def answer(self, said):
        counters = st.integers(0, 6)
        match said:
            case Greet(epoch=epoch, counter=counter):
                end = Tip(epoch, self.own, f"h{self.own}" if self.own else "")
                at = self.own if counter is None else counter
                tip = self.draw(counters)
                branch = self.draw(st.sampled_from("hx"))
                other = self.draw(st.sampled_from("hx"))
                return Greeted(
                    asked=Tip(epoch, at, f"h{at}" if at else ""),
                    own=end,
                    own_hash="" if tip == 0 else f"h{tip}" if tip <= self.own else None,
                    held=self.draw(counters),
                    cursors={"care": self.draw(counters)},
                    is_other_server=self.draw(st.booleans()),
                    answer=HandshakeAnswer(
                        server="s",
                        tip=Tip(epoch, tip, f"{branch}{tip}" if tip else ""),
                        hash_at_device_tip=f"{other}{at}" if tip >= at > 0 else None,
                        heads={"care": self.draw(counters)},
                        wall_ms=0,
                    ),
                )
            case Push(epoch=epoch, first=first):
                if first > self.own:
                    return Pushed(sent=0)
                return Pushed(sent=1, tip=Tip(epoch, self.draw(counters), "h"))
            case Offer(after=after):
                # The store offers each operation once: there is an end.
                count = len(after)
                return Offered(last="x" * (count + 1) if count < 3 else "")
            case Pull(after=after):
                start = after or 0
                if self.is_stubborn:
                    return Pulled(after=start, next=start, more=True)
                return Pulled(
                    after=start,
                    next=self.draw(st.integers(start, 9)),
                    more=self.draw(st.booleans()),
                )
            case Reissue():
                return Reissued(epoch="ep99")
        return None


@settings(max_examples=300, deadline=None)
@given(data=st.data())
def test_every_round_ends_whatever_the_unit_answers(data):
    """[EX8]: a unit that answers at random, within the wire format, ends the round too.

    A unit that hands out endless pages is not among them: a pull ends as its cursor does.
    Caught, planted and taken out again: a page that moved nothing was asked for again.
    """
    own = data.draw(st.integers(0, 5))
    unit = _Unit(data.draw, own)
    state = ExchangeState()
    heard = Start(epochs=("ep01", "ep02"), streams=("care", "unit"), open_case="case/c-1")
    for _ in range(400):
        state, said = step_exchange(state, heard)
        if any(isinstance(one, Finish) for one in said):
            assert state.phase is Phase.RESTING
            return
        heard = next(answer for one in said if (answer := unit.answer(one)) is not None)
    raise AssertionError(f"still {state.phase} after 400 answers")
