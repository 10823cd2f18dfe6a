"""Handshake, push and pull over HTTP, and what each refuses without writing anything."""

import asyncio
import hashlib

import pytest

from api.routes.bounded_body import MAX_INFLATED_BYTES
from api.routes.exchange import tell_heads
from api.use_cases.answer_calculation import answer_calculation
from api.use_cases.revoke_device import revoke_device
from tests.unit.api.standing_unit import (
    NOON_MS,
    Writer,
    assert_problem,
    forged,
    squeezed,
    texts,
)


def test_a_new_device_is_told_an_empty_log_and_its_streams(unit, a):
    """[EX1]."""

    answer = unit.handshake(a, "tablet-a")

    assert answer.status_code == 200
    assert answer.json() == {
        "server": "generation-1",
        "tip": {"epoch": "ep01", "counter": 0, "hash": ""},
        "hash_at_device_tip": None,
        "heads": {"care": 0, "booking": 0, "unit": 0},
        "wall_ms": NOON_MS,
        "epochs": {},
        "rows": True,
        "last_read": "agrees",
        "signed_heads": True,
    }


def test_the_hash_at_the_lower_tip_is_told_both_ways(unit, a):
    """[EX2]."""

    writer = Writer("tablet-a")
    first, second = writer.write(), writer.write("puncture/p-2")
    unit.push(a, "tablet-a", texts(first, second))

    lower = unit.handshake(
        a, "tablet-a", tip={"epoch": "ep01", "counter": 1, "hash": first.hash}
    ).json()
    higher = unit.handshake(
        a, "tablet-a", tip={"epoch": "ep01", "counter": 3, "hash": "0" * 64}
    ).json()

    assert lower["tip"] == {"epoch": "ep01", "counter": 2, "hash": second.hash}
    assert lower["hash_at_device_tip"] == first.hash
    assert higher["hash_at_device_tip"] is None


def test_an_epoch_never_seen_begins_at_nothing(unit, a):
    """[EX4]."""

    unit.push(a, "tablet-a", texts(Writer("tablet-a").write()))

    tip = {"epoch": "ep02", "counter": 0, "hash": ""}

    assert unit.handshake(a, "tablet-a", tip=tip).json()["tip"] == tip


def test_what_one_device_pushed_another_pulls_byte_for_byte(unit, a, b):
    """[EX7]."""

    pushed = texts(Writer("tablet-a").write(set={"stop_um": 1, "note": "ç 漢 \u2028"}))

    answer = unit.push(a, "tablet-a", pushed)
    page = unit.pull(b, "care").json()

    assert answer.json()["quarantined"] == []
    assert [(envelope, body) for _, envelope, body in page["operations"]] == pushed
    assert page["more"] is False
    assert page["next"] == page["operations"][-1][0]


def test_the_same_push_twice_writes_once(unit, a):
    """[EX6]."""

    pushed = texts(Writer("tablet-a").write())

    first, second = unit.push(a, "tablet-a", pushed), unit.push(a, "tablet-a", pushed)

    assert first.json() == second.json()
    assert unit.written() == (1, 0, 1)


def test_a_squeezed_push_is_taken_in(unit, a):
    operation = Writer("tablet-a").write()
    signature = unit.signers["tablet-a"].sign_head(operation)
    content = {"device": "tablet-a", "operations": texts(operation), "signature": signature}

    answer = unit.push_squeezed(a, squeezed(content))

    assert answer.status_code == 200
    assert unit.written() == (1, 0, 1)


def test_a_squeezed_push_that_unpacks_over_the_bound_is_refused_and_nothing_is_written(unit, a):
    operations = texts(Writer("tablet-a").write())
    content = {"device": "tablet-a", "operations": operations, "pad": " " * MAX_INFLATED_BYTES}

    assert_problem(unit.push_squeezed(a, squeezed(content)), 413, "Send smaller batches")
    assert unit.written() == (0, 0, 0)


@pytest.mark.parametrize(
    "content",
    [b"no gzip at all", squeezed({"device": "tablet-a"})[:-12]],
    # What is squeezed bears the time; processes that collect apart have to name it alike.
    ids=["no gzip", "cut off"],
)
def test_a_push_that_cannot_be_unpacked_is_refused_and_nothing_is_written(unit, a, content):
    assert_problem(unit.push_squeezed(a, content), 422, "Send it again")
    assert unit.written() == (0, 0, 0)


def test_another_coding_than_gzip_is_refused(unit, a):
    headers = {**a, "content-encoding": "br"}

    assert_problem(unit.push(headers, "tablet-a", []), 415, "gzip")


@pytest.mark.parametrize(
    ("break_texts", "part"),
    [
        (lambda good: [*good, ("{}", "{}")], "envelope"),
        (lambda good: [*good, (good[0][0].replace('","', '", "'), good[0][1])], "canonical"),
        (lambda good: [*good, [good[0][0]]], "operations[1]"),
        (lambda good: [*good, [good[0][0], None]], "operations[1]"),
        (lambda _: [], "at least one"),
    ],
)
def test_a_push_of_broken_structure_is_refused_whole(unit, a, break_texts, part):
    """[EX6]."""

    good = texts(Writer("tablet-a").write())

    assert_problem(unit.push(a, "tablet-a", break_texts(good)), 422, part)
    assert unit.written() == (0, 0, 0)


def test_a_push_that_leaves_a_gap_is_refused_whole(unit, a):
    """[LG2]."""

    writer = Writer("tablet-a")
    first, _, third = writer.write(), writer.write(), writer.write()
    unit.push(a, "tablet-a", texts(first))

    assert_problem(unit.push(a, "tablet-a", texts(third)), 422, "handshake")
    assert unit.written() == (1, 0, 1)


def test_a_push_of_more_operations_than_a_batch_holds_is_refused(unit, a):
    """[EX5]."""

    writer = Writer("tablet-a")
    many = [writer.write() for _ in range(1_001)]

    assert_problem(unit.push(a, "tablet-a", texts(*many)), 413, "1000")
    assert unit.written() == (0, 0, 0)


def test_an_unknown_key_in_a_push_is_refused_by_name(unit, a):
    pushed = texts(Writer("tablet-a").write())

    assert_problem(unit.push(a, "tablet-a", pushed, later=1), 422, "later")
    assert unit.written() == (0, 0, 0)


def test_a_device_pushes_its_own_operations_alone(unit, a, b):
    others = texts(Writer("tablet-b").write())

    assert_problem(unit.push(a, "tablet-a", others), 403, "tablet-b.ep01.1")
    assert_problem(unit.push(a, "tablet-b", others), 403, "cannot speak for")
    assert_problem(unit.handshake(a, "tablet-b"), 403, "cannot speak for")
    assert unit.written() == (0, 0, 0)


def test_a_forged_body_is_set_aside_alone_and_the_queue_flows(unit, a, b):
    """[EX6] [OP5]."""

    writer = Writer("tablet-a")
    first, second, third = (writer.write(f"puncture/p-{number}") for number in (1, 2, 3))

    answer = unit.push(a, "tablet-a", [*texts(first), forged(second), *texts(third)]).json()

    assert [one["op_id"] for one in answer["quarantined"]] == [second.op_id]
    assert answer["tip"] == {"epoch": "ep01", "counter": 3, "hash": third.hash}
    pulled = [envelope for _, envelope, _ in unit.pull(b, "care").json()["operations"]]
    assert pulled == [first.envelope_text, third.envelope_text]
    with unit.store.transaction():
        (kept,) = unit.store.operations.quarantined()
    assert (kept.envelope, kept.body) == forged(second)


def test_what_was_set_aside_is_reported_again_when_the_answer_got_lost(unit, a):
    """[EX6]."""

    pushed = [forged(Writer("tablet-a").write())]

    first, again = unit.push(a, "tablet-a", pushed), unit.push(a, "tablet-a", pushed)

    assert first.json() == again.json()
    assert len(again.json()["quarantined"]) == 1
    assert unit.written() == (1, 1, 0)


def test_a_fraction_in_a_body_is_set_aside_alone(unit, a):
    """[OP6]."""

    operation = Writer("tablet-a").write()
    body = (operation.body_text or "").replace("30000", "0.5")
    envelope = operation.envelope_text.replace(
        operation.commitment, hashlib.sha256(body.encode()).hexdigest()
    )

    answer = unit.push(a, "tablet-a", [(envelope, body)]).json()

    assert "whole numbers" in answer["quarantined"][0]["sentence"]
    assert answer["tip"]["counter"] == 1
    assert unit.written() == (1, 1, 0)


def test_a_kind_in_another_stream_than_the_catalogues_is_set_aside(unit, a, b):
    smuggled = Writer("tablet-a").write("case/c-1", "booking", set={"past_bleeds": 2})

    answer = unit.push(a, "tablet-a", texts(smuggled)).json()

    assert "belongs in care" in answer["quarantined"][0]["sentence"]
    assert answer["tip"]["counter"] == 1
    assert unit.pull(b, "booking").json()["operations"] == []


def test_a_stream_the_role_may_not_write_is_set_aside(unit, b):
    desk = unit.join("desk-c", "booking")
    writer = Writer("desk-c")
    clinical = writer.write("puncture/p-1", "care")
    unknown = writer.write("kind_of_next_year/k-1", "registry", set={"glow": 1})
    allowed = writer.write("visit/v-1", "booking", set={"label": "Visit 1"})

    answer = unit.push(desk, "desk-c", texts(clinical, unknown, allowed)).json()

    assert [one["op_id"] for one in answer["quarantined"]] == [clinical.op_id, unknown.op_id]
    assert answer["tip"]["counter"] == 3
    assert unit.pull(b, "care").json()["operations"] == []
    assert len(unit.pull(b, "booking").json()["operations"]) == 1


def test_both_branches_of_a_fork_are_kept_and_the_first_stays(unit, a, b):
    """[LG4]."""

    first, copy = Writer("tablet-a"), Writer("tablet-a")
    shared = first.write()
    copy.log.append(shared)
    mine = first.write("puncture/p-2", set={"stop_um": 2})
    theirs = copy.write("puncture/p-2", set={"stop_um": 3})
    later = copy.write("puncture/p-3")
    unit.push(a, "tablet-a", texts(shared, mine))

    answer = unit.push(a, "tablet-a", texts(shared, theirs, later)).json()

    assert [one["op_id"] for one in answer["quarantined"]] == [theirs.op_id, later.op_id]
    assert "two versions" in answer["quarantined"][0]["sentence"]
    assert answer["tip"] == {"epoch": "ep01", "counter": 2, "hash": mine.hash}
    assert len(unit.pull(b, "care").json()["operations"]) == 2


def test_another_past_before_the_next_one_is_a_fork(unit, a):
    """[LG4]."""

    writer = Writer("tablet-a")
    unit.push(a, "tablet-a", texts(writer.write()))
    other_past = writer.write(previous="f" * 64)

    answer = unit.push(a, "tablet-a", texts(other_past)).json()

    assert len(answer["quarantined"]) == 1
    assert answer["tip"]["counter"] == 1


def test_unknown_kinds_and_fields_are_kept_verbatim_and_handed_on(unit, a, b):
    """[MG8]."""

    writer = Writer("tablet-a")
    pushed = texts(
        writer.write("kind_of_next_year/k-1", set={"glow": {"deep": [1, None, "x"]}}),
        writer.write("puncture/p-1", set={"of_next_year": True}),
    )

    answer = unit.push(a, "tablet-a", pushed).json()

    assert answer["quarantined"] == []
    pulled = unit.pull(b, "care").json()["operations"]
    assert [(envelope, body) for _, envelope, body in pulled] == pushed


def test_a_booking_device_never_receives_the_clinical_stream(unit, a):
    """[EX7]."""

    desk = unit.join("desk-c", "booking")
    writer = Writer("tablet-a")
    unit.push(
        a,
        "tablet-a",
        texts(writer.write(), writer.write("visit/v-1", "booking", set={"label": "Visit 1"})),
    )

    assert_problem(unit.pull(desk, "care"), 403, "booking device")
    assert_problem(unit.pull(desk, "registry"), 403, "booking device")
    assert set(unit.handshake(desk, "desk-c").json()["heads"]) == {"booking", "unit"}
    records = [envelope for _, envelope, _ in unit.pull(desk, "booking").json()["operations"]]
    assert len(records) == 1
    assert '"record":"visit/v-1"' in records[0]


def test_pages_follow_each_other_without_gap_or_repeat(unit, a, b):
    """[EX7]."""

    writer = Writer("tablet-a")
    for _ in range(3):
        unit.push(a, "tablet-a", texts(*(writer.write() for _ in range(5))))

    seen, after, pages = [], 0, 0
    while True:
        page = unit.pull(b, "care", after=after, limit=4).json()
        seen += [envelope for _, envelope, _ in page["operations"]]
        after, pages = page["next"], pages + 1
        if not page["more"]:
            break

    assert seen == [operation.envelope_text for operation in writer.log]
    assert pages == 4


def test_a_page_is_cut_by_bytes_and_holds_at_least_one(unit, a, b):
    """[EX5]."""

    writer = Writer("tablet-a")
    large = [writer.write(set={"note": "x" * 60_000}) for _ in range(6)]
    unit.push(a, "tablet-a", texts(*large))

    page = unit.pull(b, "care").json()

    assert len(page["operations"]) == 4
    assert page["more"] is True


def test_a_device_gets_its_own_back_when_it_asks(unit, a):
    """[EX4]."""

    unit.push(a, "tablet-a", texts(Writer("tablet-a").write()))

    without, with_own = unit.pull(a, "care").json(), unit.pull(a, "care", own=1).json()

    assert without["operations"] == []
    assert without["next"] == with_own["next"] == 1
    assert len(with_own["operations"]) == 1


@pytest.mark.parametrize("asked", [{"after": -1}, {"limit": 0}, {"limit": 1_001}, {"limit": "x"}])
def test_a_pull_outside_its_bounds_is_refused(unit, a, asked):
    assert_problem(unit.pull(a, "care", **asked), 422, next(iter(asked)))


def test_conflicts_are_listed_in_the_streams_of_the_role_alone(unit, a, b):
    """[CF1]."""

    desk = unit.join("desk-c", "booking")
    for headers, device, number in ((a, "tablet-a", "1"), (b, "tablet-b", "2")):
        writer = Writer(device)
        clinical = writer.write(set={"stop_um": int(number)})
        booking = writer.write("patient/x-1", "booking", set={"phone": number})
        unit.push(headers, device, texts(clinical, booking))

    bedside = unit.client.get("/api/conflicts", headers=a).json()["conflicts"]
    booking = unit.client.get("/api/conflicts", headers=desk).json()["conflicts"]

    assert [one["record"] for one in bedside] == ["patient/x-1", "puncture/p-1"]
    assert [(one["record"], one["field"], one["holds_back"]) for one in booking] == [
        ("patient/x-1", "phone", ["booking"])
    ]
    assert [one["value"] for one in booking[0]["answers"]] == ["1", "2"]


def test_a_clock_that_is_wrong_by_years_refuses_no_work(unit, a):
    """[HC4]."""

    answer = unit.handshake(a, "tablet-a", wall_ms=NOON_MS + 10 * 365 * 86_400_000)

    assert answer.status_code == 200
    assert answer.json()["wall_ms"] == NOON_MS


def _heard(unit, count, *, then=None):
    """Listen to the events of a bedside device; ``then`` runs after the first one."""

    async def listen():
        around = unit.client.app.state.surroundings
        with unit.store.transaction():
            device = unit.store.devices.find("tablet-a")
        found = []
        async for part in tell_heads(device, around, quiet_seconds=0.05):
            found.append(part)
            if len(found) == 1 and then is not None:
                then(around)
            if len(found) == count:
                break
        return found

    return asyncio.run(listen())


def test_events_tell_the_heads_at_once_and_keep_the_line_open(unit, a):
    heard = _heard(unit, 3)

    assert heard[0] == b'data: {"heads":{"care":0,"booking":0,"unit":0}}\n\n'
    assert heard[1].startswith(b":")
    assert heard[2].startswith(b":")


def test_events_tell_when_heads_move(unit, a):
    def somebody_pushes(around):
        from api.use_cases.receive_push import receive_push

        with unit.store.transaction():
            device = unit.store.devices.find("tablet-a")
        operation = Writer("tablet-a").write()
        signature = unit.signers["tablet-a"].sign_head(operation)
        receive_push(unit.store, device, texts(operation), now_ms=NOON_MS, signature=signature)
        around.bell.ring()

    heard = _heard(unit, 2, then=somebody_pushes)

    assert heard[1] == b'data: {"heads":{"care":1,"booking":0,"unit":0}}\n\n'


def test_events_end_when_the_device_was_revoked(unit, a):
    """[EX12] [RQ8] The planted bug it has caught: a line that stayed open, so that a device with
    nothing to read was never told.
    """

    def revoke(around):
        revoke_device(unit.store, "tablet-a", now_ms=NOON_MS)
        around.bell.ring()

    assert len(_heard(unit, 99, then=revoke)) == 1


def test_events_end_when_the_server_stops(unit, a):
    heard = _heard(unit, 99, then=lambda around: around.bell.close())

    assert len(heard) == 1


def test_a_push_rings_the_bell(unit, a):
    around = unit.client.app.state.surroundings
    rung = []
    around.bell.ring = lambda: rung.append(True)

    unit.push(a, "tablet-a", texts(Writer("tablet-a").write()))

    assert rung == [True]


def test_a_calculation_over_http_is_that_of_the_command(unit):
    given = {"scanned": "0109501101530003", "today_on": "2026-03-16"}

    answer = unit.client.post("/api/calculate/device-label", json=given)

    assert answer.status_code == 200
    assert answer.json() == answer_calculation("device-label", given, on="2026-03-16")
    assert answer.json()["gtin"] == "09501101530003"


@pytest.mark.parametrize(
    ("kind", "given", "part"),
    [
        ("weather", {}, "liver-scores, sizing"),
        ("liver-scores", {"bili": 1}, "bili"),
        ("liver-scores", [], "Expected `object`"),
    ],
)
def test_a_calculation_that_cannot_be_made_is_refused_in_one_sentence(unit, kind, given, part):
    assert_problem(unit.client.post(f"/api/calculate/{kind}", json=given), 422, part)


def test_a_refused_calculation_tells_what_each_part_lacks(unit):
    answer = unit.client.post("/api/calculate/liver-scores", json={})

    assert_problem(answer, 422, "Add what is missing")
    assert "bilirubin" in answer.json()["answer"]["child_pugh"]["missing"]


@pytest.mark.parametrize("how", ["revoked", "another role"])
def test_events_end_in_a_quiet_stretch_when_the_device_is_another_than_it_was(unit, a, how):
    """[EX12] Nobody rings. It was red before: the line stayed open until the next entry."""

    def change(_around):
        if how == "revoked":
            revoke_device(unit.store, "tablet-a", now_ms=NOON_MS)
        else:
            unit.join("tablet-a", "booking", authorization=a["authorization"])

    assert len(_heard(unit, 5, then=change)) == 1


def test_of_the_event_lines_of_one_device_the_oldest_gives_way(unit, a, b):
    """It was red before: a device could hold any number.

    The bug it has caught: one gave way although there were few.
    """

    async def listen():
        around = unit.client.app.state.surroundings
        with unit.store.transaction():
            device, other = (unit.store.devices.find(f"tablet-{one}") for one in "ab")
        lines = [tell_heads(it, around, quiet_seconds=0.01) for it in (other, *[device] * 5)]
        for line in lines:
            await anext(line)
        ended = []
        for line in lines:
            try:
                await anext(line)
                ended.append(False)
            except StopAsyncIteration:
                ended.append(True)
            await line.aclose()
        return ended

    assert asyncio.run(listen()) == [False, True, False, False, False, False]
