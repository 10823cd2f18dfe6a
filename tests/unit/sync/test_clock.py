"""Stamps, by the shared vectors."""

import pytest

from sync.clock import next_stamp, read_stamp, take_notice
from tests.unit.sync.vectors import cases


@pytest.mark.parametrize("case", cases("clock/next_stamp.json"))
def test_the_next_stamp_is_as_the_vector_says(case):
    given = case["given"]
    previous = read_stamp(given["previous"]) if given["previous"] else None

    stamp = next_stamp(previous, wall_ms=given["wall_ms"], device=given["device"])

    assert str(stamp) == case["expect"]
    assert previous is None or (str(stamp) > str(previous) and stamp > previous)


@pytest.mark.parametrize("case", cases("clock/take_notice.json"))
def test_a_received_stamp_moves_the_clock_as_the_vector_says(case):
    given = case["given"]
    own = read_stamp(given["own"]) if given["own"] else None
    received = read_stamp(given["received"])
    assert received is not None

    kept = take_notice(own, received, wall_ms=given["wall_ms"])

    assert (str(kept) if kept else None) == case["expect"]


@pytest.mark.parametrize("case", cases("clock/read_stamp.json"))
def test_a_text_is_a_stamp_or_none(case):
    stamp = read_stamp(case["given"])

    if case["expect"] is None:
        assert stamp is None
    else:
        assert stamp is not None
        assert {"wall_ms": stamp.wall_ms, "counter": stamp.counter, "device": stamp.device} == case[
            "expect"
        ]
        assert str(stamp) == case["given"]
