"""The decisions of the exchange, by the shared vectors."""

import pytest

from sync.exchange import HandshakeAnswer, compare_tips, cut_batch
from sync.operation_log import Tip
from tests.unit.sync.vectors import cases


@pytest.mark.parametrize("case", cases("exchange/compare_tips.json"))
def test_tips_compare_as_the_vector_says(case):
    given, expect = case["given"], case["expect"]
    answer = HandshakeAnswer(
        server="s",
        tip=Tip(**given["answer"]["tip"]),
        hash_at_device_tip=given["answer"]["hash_at_device_tip"],
        heads={},
        wall_ms=0,
    )

    comparison = compare_tips(Tip(**given["own"]), answer, given["own_hash_at_server_tip"])

    assert comparison.standing == expect["standing"]
    assert comparison.send_from == expect.get("send_from", 0)


@pytest.mark.parametrize("case", cases("exchange/cut_batch.json"))
def test_a_batch_is_cut_as_the_vector_says(case):
    sizes = [size for count, size in case["given"] for _ in range(count)]

    assert cut_batch(sizes) == case["expect"]
