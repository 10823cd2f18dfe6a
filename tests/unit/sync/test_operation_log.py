"""Logs and their places, by the shared vectors."""

import pytest

from sync.errors import BrokenChainError
from sync.operation import Operation
from sync.operation_log import Tip, place_operation, verify_chain
from tests.unit.sync.vectors import cases


def _operation(part):
    return Operation(
        op_id=f"a.ep01.{part['counter']}",
        device="a",
        epoch="ep01",
        stream="care",
        record="puncture/p-1",
        stamp="",
        commitment="",
        body_text=None,
        **part,
    )


@pytest.mark.parametrize("case", cases("log/place_operation.json"))
def test_an_operation_stands_to_a_log_as_the_vector_says(case):
    given = case["given"]
    tip = Tip(**given["tip"]) if given["tip"] else None

    assert (
        place_operation(tip, _operation(given["operation"]), given["held_hash"]) == case["expect"]
    )


@pytest.mark.parametrize("case", cases("log/verify_chain.json"))
def test_a_chain_has_a_tip_or_breaks_where_the_vector_says(case):
    expect = case["expect"]
    operations = [_operation(part) for part in case["given"]]

    if expect and "broken_at" in expect:
        with pytest.raises(BrokenChainError, match=f"a.ep01.{expect['broken_at']} "):
            verify_chain(operations)
        return

    tip = verify_chain(operations)

    assert (tip and {"counter": tip.counter, "hash": tip.hash}) == expect
