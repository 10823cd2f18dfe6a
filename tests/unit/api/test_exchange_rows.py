"""Push, pull and resupply in rows over HTTP: taken in whole, or refused and nothing written."""

import json
import random

import msgspec
import pytest

from api.routes.exchange import Push
from api.storage.device_store import Device
from api.use_cases.errors import UseCaseError
from api.use_cases.receive_handshake import refuse_other_device
from api.use_cases.receive_push import receive_push
from sync.errors import ChangedBatchError
from sync.exchange import MAX_BATCH_COUNT
from sync.operation import read_operation
from sync.wire import ROW_BYTES, Row, digest_rows, read_rows, write_rows
from tests.unit.api.signing_device import SigningDevice
from tests.unit.api.standing_unit import NOON_MS, Writer, assert_problem, forged, squeezed, texts

_REST = ["tablet-a.ep01.1", "", "care", ""]


def _in_rows(device, *operations, **more):
    return {
        "device": device,
        "rows": msgspec.to_builtins(write_rows(operations)),
        "digest": digest_rows(operations, device),
        "signature": SigningDevice(device).sign_head(operations[-1]),
        **more,
    }


def _post(unit, headers, content, what="push"):
    if what == "resupply":
        content = {name: part for name, part in content.items() if name != "signature"}
    return unit.client.post(f"/api/exchange/{what}", json=content, headers=headers)


def _read_page(page, stream, after):
    rows = msgspec.convert(page["rows"], list[Row])
    said = stream, str(after), str(page["next"]), "more" if page["more"] else "end"
    return read_rows(rows, page["digest"], *said)


def _write_some(count=4):
    writer = Writer("tablet-a")
    for number in range(count):
        writer.write(f"puncture/p-{number % 3}", set={"stop_um": number, "note": "ç 漢 \u2028"})
    return writer.log


def test_what_came_in_rows_is_handed_out_byte_for_byte_in_both_forms(unit, a, b):
    """[EX16] [EX18] [EX7]."""
    log = _write_some()

    answer = _post(unit, a, _in_rows("tablet-a", *log))
    long = unit.pull(b, "care").json()
    page = unit.pull(b, "care", rows=1).json()

    assert answer.json()["tip"] == {"epoch": "ep01", "counter": 4, "hash": log[-1].hash}
    assert [(envelope, body) for _, envelope, body in long["operations"]] == texts(*log)
    assert _read_page(page, "care", 0) == log
    assert (page["next"], page["more"]) == (long["next"], long["more"])


def test_a_tablet_of_an_older_release_exchanges_with_one_of_this(unit, a, b):
    """[EX18]: it sends the long form and asks for it; the other sends rows."""
    old, new = Writer("tablet-a"), Writer("tablet-b")
    unit.push(a, "tablet-a", texts(old.write("puncture/of-old")))
    assert _post(unit, b, _in_rows("tablet-b", new.write("puncture/of-new"))).status_code == 200

    for_old = unit.pull(a, "care").json()["operations"]
    for_new = unit.pull(b, "care", rows=1).json()

    assert [tuple(row[1:]) for row in for_old] == texts(*new.log)
    assert _read_page(for_new, "care", 0) == old.log


def test_the_handshake_says_that_rows_are_read(unit, a):
    """[EX18]."""
    assert unit.handshake(a, "tablet-a").json()["rows"] is True


def test_pages_in_rows_go_on_where_the_page_before_ended(unit, a, b):
    """[EX16] [EX7]: logs by turns, streams between, and the record of a case alone."""
    writers = [Writer("tablet-a"), Writer("tablet-b")]
    for number in range(12):
        for writer, headers in zip(writers, (a, b), strict=True):
            stream = "booking" if number % 4 == 1 else "care"
            kind = "patient" if stream == "booking" else "puncture"
            one = writer.write(f"{kind}/x-{number}", stream)
            assert _post(unit, headers, _in_rows(writer.device, one)).status_code == 200
    c = unit.join("tablet-c")

    for stream in ("care", "booking"):
        read, after, more = [], 0, True
        while more:
            page = unit.pull(c, stream, rows=1, limit=5, after=after).json()
            read += _read_page(page, stream, after)
            after, more = page["next"], page["more"]
        wanted = [one for writer in writers for one in writer.log if one.stream == stream]
        assert sorted(read, key=lambda one: one.op_id) == sorted(wanted, key=lambda one: one.op_id)
    one = unit.pull(c, "care", rows=1, record="puncture/x-3").json()
    assert [each.record for each in _read_page(one, "care", 0)] == ["puncture/x-3"] * 2


def test_a_page_in_rows_is_cut_by_its_bodies_and_64_bytes_a_row(unit, a, b):
    """[EX17] [EX5]: 262,144 bytes are reached by 4 bodies and their rows, below, at and above."""
    writer = Writer("tablet-a")
    bare = len(writer.write(set={"note": ""}).body_text)
    for short in (1, 0, -1):
        epoch = Writer("tablet-a", f"cut{short + 1}")
        log = [
            epoch.write(set={"note": "x" * (65_536 - ROW_BYTES - bare - (short if n == 3 else 0))})
            for n in range(4)
        ]
        assert _post(unit, a, _in_rows("tablet-a", *log)).status_code == 200
        after = unit.store.operations.heads(["care"])["care"] - 4
        page = unit.pull(b, "care", rows=1, after=after).json()
        assert len(page["rows"]) == (4 if short >= 0 else 3)
        assert page["more"] is (short < 0)


def test_a_forged_body_refuses_the_rows_whole_and_the_long_form_sets_it_aside_alone(unit, a, b):
    """[EX17] [EX6] [OP5].

    Planted and caught: the digest was not compared, and the forged text was taken in under a
    commitment of its own.
    """
    log = _write_some(3)
    envelope, body = forged(log[1])
    sent = _in_rows("tablet-a", log[0], msgspec.structs.replace(log[1], body_text=body), log[2])

    assert_problem(_post(unit, a, sent), 422, "digest", "long form")
    assert unit.written() == (0, 0, 0)

    long = [*texts(log[0]), (envelope, body), *texts(log[2])]
    answer = unit.push(a, "tablet-a", long).json()
    assert [one["op_id"] for one in answer["quarantined"]] == [log[1].op_id]
    assert _read_page(unit.pull(b, "care", rows=1).json(), "care", 0) == [log[0], log[2]]


def _take_in(unit, content):
    """Take a push in as the route does, from a device of before there were keys (SG4)."""
    device = Device("tablet-a", "Tablet A", "bedside", None)
    try:
        push = msgspec.json.decode(content, type=Push)
        refuse_other_device(device, push.device)
        return receive_push(unit.store, device, push.read(), now_ms=NOON_MS)
    except (msgspec.MsgspecError, UnicodeDecodeError, UseCaseError):
        return None


def test_torn_batch_every_byte_of_a_push_flipped_never_yields_another_operation(unit):
    """[EX17] [EX15] [SG4]: refused, or the same; also without the signatures that forbid it.

    Planted and caught: the digest covered the last operation alone, so that a change before a
    previous that was given went through.
    """
    log = _write_some(3)
    gap = Writer("tablet-a", "ep02").write()
    content = json.dumps(_in_rows("tablet-a", *log, gap, signature=None)).encode()

    for place in range(len(content)):
        flipped = bytearray(content)
        flipped[place] ^= 1 << (place * 5 % 8)
        answer = _take_in(unit, bytes(flipped))
        if answer is not None:
            assert answer.quarantined == ()
    held = [*unit.store.operations.of_log("tablet-a", "ep01")]
    held += unit.store.operations.of_log("tablet-a", "ep02")
    assert held in ([], [*log, gap])
    assert unit.store.operations.count() == len(held)

    assert _take_in(unit, content).quarantined == ()
    assert unit.store.operations.count() == 4


def test_torn_batch_cut_anywhere_in_rows_writes_nothing_and_heals(unit, a):
    """[EX15]: squeezed and plain."""
    content = _in_rows("tablet-a", *_write_some())
    plain, packed = json.dumps(content).encode(), squeezed(content)
    draw = random.Random(8)

    for _ in range(30):
        assert unit.push_squeezed(a, packed[: draw.randrange(len(packed))]).status_code == 422
        torn = unit.client.post(
            "/api/exchange/push",
            content=plain[: draw.randrange(len(plain))],
            headers=a | {"content-type": "application/json"},
        )
        assert torn.status_code == 422
    assert unit.written() == (0, 0, 0)
    assert unit.push_squeezed(a, packed).json()["tip"]["counter"] == 4


def test_every_byte_of_a_page_flipped_is_noticed_or_changes_nothing(unit, a, b):
    """[EX17]: where the next page begins is covered too.

    Planted and caught: `next` was left out of what the digest covers.
    """
    log = _write_some(3)
    _post(unit, a, _in_rows("tablet-a", *log))
    content = unit.pull(b, "care", rows=1).content
    noticed = 0

    for place in range(len(content)):
        for bit in (0x01, 0x10, 0x80):
            flipped = bytearray(content)
            flipped[place] ^= bit
            try:
                page = json.loads(bytes(flipped))
                read = _read_page(page, "care", 0)
            except (ValueError, KeyError, TypeError, ChangedBatchError, msgspec.ValidationError):
                noticed += 1
                continue
            assert (read, page["next"], page["more"]) == (log, 3, False), place
    assert noticed > 2 * len(content)


@pytest.mark.parametrize(
    ("change", "part"),
    [
        (lambda sent: {**sent, "operations": texts(*_write_some(1))}, "one of both"),
        (lambda sent: {**sent, "digest": ""}, "digest"),
        (lambda sent: {**sent, "rows": [[None, *sent["rows"][0][1:]]]}, "commitment"),
        (lambda sent: {**sent, "rows": [["{}", *sent["rows"][0][1:]]]}, "long form"),
        (lambda sent: {**sent, "rows": [[*sent["rows"][0], "more"]]}, "rows[0]"),
        (
            lambda sent: {**sent, "rows": [[*sent["rows"][0][:2], 10**15, *sent["rows"][0][3:]]]},
            "rows[0]",
        ),
        (lambda sent: {**sent, "rows": []}, "at least one"),
    ],
)
def test_rows_of_broken_structure_are_refused_whole(unit, a, change, part):
    """[EX17] [EX6]."""
    sent = _in_rows("tablet-a", *_write_some(1))

    assert_problem(_post(unit, a, change(sent)), 422, part)
    assert unit.written() == (0, 0, 0)


def test_a_row_without_its_body_is_refused(unit, a):
    """[EX17]: a body is withheld from a reader, never from the unit."""
    (one,) = _write_some(1)
    withheld = msgspec.structs.replace(one, body_text=None)

    assert_problem(_post(unit, a, _in_rows("tablet-a", withheld)), 422, "without its body")
    assert unit.written() == (0, 0, 0)


@pytest.mark.parametrize("over", [0, 1])
def test_rows_of_more_operations_than_a_batch_holds_are_refused(unit, a, over):
    """[EX5]: at the bound and one over it; below it is every other test."""
    writer = Writer("tablet-a")
    log = [writer.write() for _ in range(MAX_BATCH_COUNT + over)]

    answer = _post(unit, a, _in_rows("tablet-a", *log))

    if over:
        assert_problem(answer, 413, "at most 1000")
    assert unit.written()[0] == (0 if over else MAX_BATCH_COUNT)


def test_rows_of_another_device_and_rows_that_leave_a_gap_are_refused(unit, a):
    """[LG2] [EX6]: what holds for the long form holds for rows."""
    log = _write_some(3)
    foreign = Writer("tablet-b").write()

    assert_problem(_post(unit, a, _in_rows("tablet-a", foreign)), 403, "was not made on")
    assert_problem(_post(unit, a, _in_rows("tablet-a", log[2])), 422, "does not follow")
    assert unit.written() == (0, 0, 0)


def test_a_signed_push_in_rows_is_judged_over_the_head_that_was_built(unit):
    """[SG1] [SG3]."""
    signer = SigningDevice("tablet-s")
    headers = unit.join("tablet-s", key=signer)
    writer = Writer("tablet-s")
    log = [writer.write(f"puncture/p-{number}") for number in range(3)]

    unsigned = _post(unit, headers, _in_rows("tablet-s", *log, signature=None)).json()
    signed = _post(
        unit, headers, _in_rows("tablet-s", *log, signature=signer.sign_head(log[-1]))
    ).json()

    assert [one["sentence"][:5] for one in unsigned["quarantined"]] == ["ALARM"] * 3
    assert unsigned["tip"]["counter"] == 0
    assert (signed["tip"]["counter"], signed["quarantined"]) == (3, [])


def test_what_lay_aside_comes_back_as_the_same_texts(unit, a):
    """[EX6] [EX16]: rows that are read and yet not taken in keep their exact texts."""
    wrong_stream = Writer("tablet-a").write("puncture/p-1", "booking")

    _post(unit, a, _in_rows("tablet-a", wrong_stream))

    with unit.store.transaction():
        (kept,) = unit.store.operations.quarantined()
    assert (kept.envelope, kept.body) == texts(wrong_stream)[0]
    assert read_operation(kept.envelope, kept.body) == wrong_stream
