"""What a push has to stand: torn, replayed, forged and far-off batches; each by its name."""

import gzip
import json
import random

import pytest

from api.routes.bounded_body import MAX_INFLATED_BYTES
from tests.unit.api.standing_unit import (
    NOON_MS,
    Writer,
    assert_problem,
    forged,
    squeezed,
    texts,
)


def _pulled(unit, headers, stream="care", **asked):
    page = unit.pull(headers, stream, **asked).json()
    return [json.loads(envelope)["record"] for _, envelope, _ in page["operations"]]


def test_torn_batch_cut_anywhere_writes_nothing_and_heals(unit, a):
    """[EX15] [EX6]: cut at 90 places, squeezed and plain.

    The planted bug it has caught: what could be unpacked before the cut was taken for the whole.
    """
    writer = Writer("tablet-a")
    content = {
        "device": "tablet-a",
        "operations": texts(*(writer.write() for _ in range(3))),
        "signature": unit.signers["tablet-a"].sign_head(writer.log[-1]),
    }
    plain, packed = json.dumps(content).encode(), squeezed(content)
    draw = random.Random(8)

    for _ in range(30):
        # In the sum at the end, too: all is unpacked by then, and nothing says that it is whole.
        for place in (draw.randrange(len(packed)), len(packed) - draw.randrange(1, 9)):
            cut = unit.push_squeezed(a, packed[:place])
            assert cut.status_code == 422, cut.text
        torn = unit.client.post(
            "/api/exchange/push",
            content=plain[: draw.randrange(len(plain))],
            headers=a | {"content-type": "application/json"},
        )
        assert torn.status_code == 422, torn.text
    assert unit.written() == (0, 0, 0)

    assert unit.push_squeezed(a, packed).json()["tip"]["counter"] == 3


def test_torn_batch_one_flipped_bit_in_a_body_never_yields_another_operation(unit, a, b):
    """[EX15] [OP5]: 120 flips, each in a log of its own; what is handed on is what was written.

    A flip in an envelope is found by the signature of the head, or by the next handshake.
    The planted bug it has caught: the body was not compared with its commitment.
    """
    draw = random.Random(21)
    written = []
    for number in range(120):
        log = texts(*(Writer("tablet-a", f"ep{number:03d}").write() for _ in range(1)))
        written += log
        content = bytearray(json.dumps({"device": "tablet-a", "operations": log}).encode())
        body_from = content.index(b"salt")
        content[draw.randrange(body_from, len(content))] ^= 1 << draw.randrange(8)
        answer = unit.client.post(
            "/api/exchange/push",
            content=bytes(content),
            headers={**a, "content-type": "application/json"},
        )
        assert answer.status_code in (200, 422), answer.text

    after = unit.pull(b, "care").json()["operations"]
    assert all((envelope, body) in written for _, envelope, body in after)
    assert unit.written()[1] > 0


def test_a_bomb_is_refused_before_it_is_unpacked_whole(unit, a):
    """[EX15]: at the bound, one byte over it, and 64 times over it."""

    def packed(size):
        head = b'{"device":"tablet-a","operations":[]'
        return gzip.compress(head + b" " * (size - len(head) - 1) + b"}")

    at = unit.push_squeezed(a, packed(MAX_INFLATED_BYTES))
    assert_problem(at, 422, "at least one")
    for size in (MAX_INFLATED_BYTES + 1, 64 * MAX_INFLATED_BYTES):
        assert_problem(unit.push_squeezed(a, packed(size)), 413, "smaller batches")
    assert unit.written() == (0, 0, 0)


def test_answer_lost_after_commit_the_same_batch_again_is_a_no_op(unit, a):
    """[EX6]: no second row, and no second side effect."""
    writer = Writer("tablet-a")
    batch = texts(*(writer.write(f"case/c-{number}", set={"stage": "plan"}) for number in range(5)))

    first = unit.push(a, "tablet-a", batch)
    with unit.store.transaction():
        for record in unit.store.plan_checks.waiting():
            unit.store.plan_checks.keep(record, [])
    again = unit.push(a, "tablet-a", batch)

    assert again.json() == first.json()
    assert unit.store.operations.count() == 5
    with unit.store.transaction():
        assert unit.store.plan_checks.waiting() == []


def test_old_batch_replayed_by_any_session_is_a_no_op(unit, a, b):
    """[LG3] [EX6]: parts of a long log, in any cut, after much else has come."""
    writer = Writer("tablet-a")
    log = texts(*(writer.write(f"puncture/p-{number}") for number in range(40)))
    unit.push(a, "tablet-a", log)
    unit.push(b, "tablet-b", texts(Writer("tablet-b").write()))
    before = unit.store.operations.heads(["care"])
    draw = random.Random(20)

    for _ in range(20):
        start = draw.randrange(40)
        part = log[start : draw.randrange(start + 1, 41)]
        answer = unit.push(a, "tablet-a", part)
        assert answer.json()["quarantined"] == []
        assert answer.json()["tip"]["counter"] == 40
    assert unit.store.operations.heads(["care"]) == before
    assert_problem(unit.push(b, "tablet-b", log[:2]), 403, "tablet-a.ep01.1")


def test_old_batch_replayed_with_other_bytes_is_a_fork_with_its_proof(unit, a):
    """[LG5] [LG4].

    The planted bug it has caught: the proof named the last operation instead of the first.
    """
    one, other = Writer("tablet-a"), Writer("tablet-a")
    for writer, value in ((one, 1), (other, 2)):
        writer.write("puncture/same")
        for number in range(3):
            writer.write(f"puncture/p-{number}", set={"stop_um": value})
    unit.push(a, "tablet-a", texts(*one.log))

    answer = unit.push(a, "tablet-a", texts(*other.log)).json()

    assert [each["op_id"] for each in answer["quarantined"]] == [
        operation.op_id for operation in other.log[1:]
    ]
    with unit.store.transaction():
        (fork,) = unit.store.marks.forks()
        kept = {(each.envelope, each.body) for each in unit.store.operations.quarantined()}
    assert (fork.counter, fork.held_hash, fork.other_hash) == (
        2,
        one.log[1].hash,
        other.log[1].hash,
    )
    assert kept == set(texts(*other.log[1:]))
    assert "exists in two versions" in fork.sentence
    assert unit.client.get("/api/health").json()["forks"] == 1


def test_a_branch_that_comes_in_several_batches_is_set_aside_whole(unit, a):
    """[LG5]: what follows an operation in quarantine is no gap that would be asked for for ever."""
    one, other = Writer("tablet-a"), Writer("tablet-a")
    unit.push(a, "tablet-a", texts(one.write(set={"stop_um": 1})))
    branch = [other.write(set={"stop_um": 2}), other.write("puncture/p-2"), other.write()]

    for operation in branch:
        answer = unit.push(a, "tablet-a", texts(operation)).json()
        assert [each["op_id"] for each in answer["quarantined"]] == [operation.op_id]
    assert unit.written()[:2] == (1, 3)


def test_cloned_device_is_noticed_at_its_first_handshake(unit, a):
    """[EX9] [LG5]: also when it states a counter below its end."""
    one, copy = Writer("tablet-a"), Writer("tablet-a")
    for writer, value in ((one, 1), (copy, 2)):
        writer.write("puncture/same")
        writer.write("puncture/p-1", set={"stop_um": value})
    unit.push(a, "tablet-a", texts(*one.log))
    shared, parted = copy.log

    same = unit.handshake(
        a, "tablet-a", tip={"epoch": "ep01", "counter": 1, "hash": shared.hash}
    ).json()
    assert same["hash_at_device_tip"] == shared.hash
    assert unit.client.get("/api/health").json()["forks"] == 0
    unit.handshake(a, "tablet-a", tip={"epoch": "ep01", "counter": 2, "hash": parted.hash})

    with unit.store.transaction():
        (fork,) = unit.store.marks.forks()
    assert (fork.counter, fork.other_hash) == (2, parted.hash)


@pytest.mark.parametrize("text", ["h", "0" * 63, "X" * 64, ""])
def test_a_handshake_that_states_no_hash_is_answered_and_proves_nothing(unit, a, text):
    """[EX1]."""
    unit.push(a, "tablet-a", texts(Writer("tablet-a").write()))

    answer = unit.handshake(a, "tablet-a", tip={"epoch": "ep01", "counter": 1, "hash": text})

    assert answer.status_code == 200
    assert unit.client.get("/api/health").json()["forks"] == 0


def test_the_handshake_tells_every_log_under_the_devices_name(unit, a):
    """[EX9]: also that of a copy."""
    unit.push(a, "tablet-a", texts(Writer("tablet-a").write()))
    copy = Writer("tablet-a", "ep77")
    unit.push(a, "tablet-a", texts(copy.write("puncture/p-2"), copy.write("puncture/p-3")))

    assert unit.handshake(a, "tablet-a").json()["epochs"] == {"ep01": 1, "ep77": 2}


def test_forged_op_of_every_kind_is_refused_or_set_aside_and_the_queue_flows(unit, a, b):
    """[EX6] [OP5] [LG4] [LG2]: nothing of it is ever shown."""
    writer = Writer("tablet-a")
    first, edited, third = (writer.write(f"puncture/p-{number}") for number in (1, 2, 3))
    in_other_name = Writer("tablet-b").write("puncture/forged")
    cut_out = Writer("tablet-a", "ep02")
    middle_gone = [cut_out.write("puncture/x-1"), cut_out.write("puncture/x-2")]

    assert_problem(unit.push(a, "tablet-a", texts(in_other_name)), 403, "was not made on")
    assert_problem(unit.push(a, "tablet-a", texts(middle_gone[1])), 422, "does not follow")
    answer = unit.push(a, "tablet-a", [*texts(first), forged(edited), *texts(third)]).json()

    assert [one["op_id"] for one in answer["quarantined"]] == [edited.op_id]
    assert _pulled(unit, b) == ["puncture/p-1", "puncture/p-3"]


def test_clock_jumps_refuse_nothing_and_order_stays(unit, a, b):
    """[HC5] [HAZ-33]: clocks ten years ahead and three hours behind."""
    for offset in (0, 10 * 365 * 86_400_000, -3 * 3_600_000):
        assert unit.handshake(a, "tablet-a", wall_ms=NOON_MS + offset).status_code == 200
    writer = Writer("tablet-a")
    unit.push(a, "tablet-a", texts(writer.write("puncture/p-1"), writer.write("puncture/p-2")))

    assert _pulled(unit, b) == ["puncture/p-1", "puncture/p-2"]


def test_schema_from_the_future_and_past_is_kept_verbatim_counted_and_handed_on(unit, a, b):
    """[MG12] [MG8] [HAZ-38]."""
    writer = Writer("tablet-a")
    pushed = texts(
        writer.write("puncture/p-1", set={"stop_um": 1, "of_next_year": {"deep": [1]}}),
        writer.write("puncture/p-1", set={"stop_um": 2}),
    )
    unit.push(a, "tablet-a", pushed)

    with unit.store.transaction():
        state = unit.store.views.state_of("puncture/p-1")
    held = [(envelope, body) for _, envelope, body in unit.pull(b, "care").json()["operations"]]

    assert held == pushed
    assert state is not None
    assert state.newer == 1


def test_one_case_is_pulled_with_all_under_it_and_its_patient(unit, a, b):
    """[EX14] [EX7]: pages, and a stream that the role does not read."""
    writer = Writer("tablet-a")
    made = [
        writer.write("patient/x-1", "booking", set={"family_name": "Marrowby"}),
        writer.write("case/c-1", set={"patient": "patient/x-1", "stage": "plan"}),
        writer.write("case/c-2", set={"patient": "patient/x-1", "stage": "plan"}),
        writer.write("puncture/p-1", set={"case": "case/c-1"}),
        writer.write("puncture/p-2", set={"case": "case/c-2"}),
        writer.write("puncture/p-3", set={"case": "case/c-1"}),
    ]
    unit.push(a, "tablet-a", texts(*made))
    desk = unit.join("desk-c", "booking")

    assert _pulled(unit, b, record="case/c-1") == ["case/c-1", "puncture/p-1", "puncture/p-3"]
    assert _pulled(unit, b, "booking", record="case/c-1") == ["patient/x-1"]
    first = unit.pull(b, "care", record="case/c-1", limit=2).json()
    rest = unit.pull(b, "care", record="case/c-1", after=first["next"]).json()
    assert (len(first["operations"]), first["more"]) == (2, True)
    assert (len(rest["operations"]), rest["more"]) == (1, False)
    assert _pulled(unit, b, record="case/unknown") == []
    assert_problem(unit.pull(desk, "care", record="case/c-1"), 403, "does not read")
