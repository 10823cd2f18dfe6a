"""Sealed segments: whole, never changed, signed, and for the roles that read the stream alone."""

import base64
import gzip
import hashlib
import json

import pytest
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature
from cryptography.hazmat.primitives.serialization import load_der_public_key

from api.storage import snapshots
from api.storage.server_key import ServerKey
from api.use_cases.answer_snapshot import seal_segments
from api.use_cases.invite_device import invite_device
from api.use_cases.rebuild_views import rebuild_views
from api.use_cases.verify_log import verify_log
from sync.operation import read_operation
from tests.unit.api.standing_unit import StandingUnit, Writer, assert_problem, forged, texts


@pytest.fixture
def unit(tmp_path, monkeypatch):
    monkeypatch.setattr(snapshots, "SEGMENT_OPERATIONS", 20)
    with StandingUnit(tmp_path / "unit").serving() as standing:
        yield standing


@pytest.fixture
def a(unit):
    return unit.join("tablet-a")


def _list(unit, headers, stream="care"):
    return unit.client.get("/api/exchange/snapshot", params={"stream": stream}, headers=headers)


def _segment(unit, headers, digest):
    return unit.client.get(f"/api/exchange/snapshot/{digest}", headers=headers)


def _rows(content):
    return [json.loads(line) for line in gzip.decompress(content).splitlines()]


def test_segments_hold_the_stream_in_order_of_receipt_and_the_tail_is_pulled(unit, a):
    """[SN1]. The planted bug it has caught: the next segment sealed from the start again."""
    writer = Writer("tablet-a")
    unit.push(a, "tablet-a", texts(*(writer.write(f"puncture/p-{n}") for n in range(30))))
    unit.push(a, "tablet-a", texts(*(writer.write("visit/v-1", "booking") for _ in range(5))))
    unit.push(a, "tablet-a", texts(*(writer.write(f"puncture/p-{n}") for n in range(15))))
    b = unit.join("tablet-b")

    listed = _list(unit, b).json()

    assert [(one["first"], one["last"], one["operations"]) for one in listed["segments"]] == [
        (1, 20, 20),
        (21, 45, 20),
    ]
    rows = []
    for one in listed["segments"]:
        answer = _segment(unit, b, one["digest"])
        assert answer.status_code == 200
        assert hashlib.sha256(answer.content).hexdigest() == one["digest"]
        rows += _rows(answer.content)
    tail = unit.pull(b, "care", after=rows[-1][0]).json()
    assert rows + tail["operations"] == unit.pull(b, "care").json()["operations"]
    assert len(tail["operations"]) == 5
    for _, envelope, body in rows:
        read_operation(envelope, body)


def test_a_sealed_segment_never_changes(unit, a):
    """[SN1]. The planted bug it has caught: a time of making within the bytes."""
    writer = Writer("tablet-a")
    unit.push(a, "tablet-a", texts(*(writer.write() for _ in range(25))))
    (first,) = _list(unit, a).json()["segments"]
    content = _segment(unit, a, first["digest"]).content
    unit.push(a, "tablet-a", texts(*(writer.write() for _ in range(25))))

    assert _list(unit, a).json()["segments"][0] == first
    assert _segment(unit, a, first["digest"]).content == content
    with unit.store.transaction():
        held = unit.store.operations.of_stream("care", after=0, limit=20)
    assert snapshots.write_segment(held) == content
    assert content[4:8] == bytes(4), "gzip keeps a time here; the same content has one name"


def _verify(public_key, segment, stream):
    """Verify by the library alone, against the rule's own words."""
    key = load_der_public_key(base64.b64decode(public_key))
    assert isinstance(key, ec.EllipticCurvePublicKey)
    signature = base64.b64decode(segment["signature"])
    places = [str(segment[name]) for name in ("after", "first", "last", "operations")]
    text = "\n".join(["crura-segment", segment["digest"], stream, *places])
    parts = (int.from_bytes(signature[:32]), int.from_bytes(signature[32:]))
    key.verify(encode_dss_signature(*parts), text.encode(), ec.ECDSA(hashes.SHA256()))


def _join_and_hear_key(unit, device):
    code = unit.environment.new_code()
    now_ms = unit.environment.now_ms()
    invite_device(unit.store, "bedside", code=code, now_ms=now_ms, is_trusted=True)
    joined = unit.ask_to_join(code, device).json()
    return {"authorization": f"Bearer {joined['token']}"}, joined["server_key"]


def _fill(unit, headers, count=45, device="tablet-a"):
    writer = Writer(device)
    pushed = texts(*(writer.write(f"puncture/p-{n % 7}") for n in range(count)))
    assert unit.push(headers, device, pushed).json()["quarantined"] == []


def test_each_segment_is_signed_by_the_key_that_a_device_was_told_when_it_joined(unit):
    """[SG10]. The planted bug it has caught: the stream left out of what is signed."""
    headers, key = _join_and_hear_key(unit, "tablet-a")
    _fill(unit, headers)

    segments = _list(unit, headers).json()["segments"]

    assert [(one["after"], one["first"], one["last"]) for one in segments] == [
        (0, 1, 20),
        (20, 21, 40),
    ]
    for one in segments:
        _verify(key, one, "care")


CHANGES = {
    "a segment left out": "DELETE FROM segment WHERE first_seq = 1",
    "another signature": "UPDATE segment SET signature = zeroblob(64)",
    "another end": "UPDATE segment SET last_seq = last_seq - 1 WHERE first_seq = 21",
    "another beginning": "UPDATE segment SET first_seq = 22 WHERE first_seq = 21",
    "another count": "UPDATE segment SET operations = 19",
    "another name": "UPDATE segment SET digest = replace(digest, '0', '1')",
    "no name at all": "UPDATE segment SET digest = 'x' WHERE first_seq = 1",
    "other bytes": "UPDATE segment SET content = zeroblob(40) WHERE first_seq = 1",
    "the bytes of another": "UPDATE segment SET content ="
    " (SELECT content FROM segment WHERE first_seq = 1) WHERE first_seq = 21",
    "given to another stream": "UPDATE segment SET stream = 'booking'",
}


@pytest.mark.parametrize("statement", CHANGES.values(), ids=CHANGES)
def test_verify_finds_a_changed_segment_and_rebuilding_makes_it_good(unit, a, statement):
    """[SG10] The planted bug it has caught: each segment judged by itself, so that one that was
    left out between two others went unseen.
    """
    _fill(unit, a, 65)
    assert len(_list(unit, a).json()["segments"]) == 3
    before = _list(unit, a).json()
    assert verify_log(unit.store).findings == ()
    with unit.store.transaction():
        unit.store._database.connection.execute(statement)

    assert any("is not what this unit sealed" in one for one in verify_log(unit.store).findings)
    rebuild_views(unit.store)
    assert _list(unit, a).json() == before
    assert verify_log(unit.store).findings == ()


def test_verify_finds_a_segment_that_strangers_signed(unit, a):
    """[SG10]."""
    _fill(unit, a, 20)
    own = unit.store.server_key
    unit.store.server_key = ServerKey(ec.generate_private_key(ec.SECP256R1()))
    seal_segments(unit.store, "care")
    unit.store.server_key = own
    assert verify_log(unit.store).findings == ()
    with unit.store.transaction():
        unit.store.keep_fact("key of the segments", own.key_id)

    assert "is not what this unit sealed" in verify_log(unit.store).findings[0]


def test_verify_finds_a_segment_that_is_sound_and_not_of_the_log(unit, a, monkeypatch):
    """[SG10] The planted bug it has caught: segments never held against the log."""
    _fill(unit, a, 20)
    honest = snapshots.write_segment
    monkeypatch.setattr(snapshots, "write_segment", lambda receipts: honest(receipts[::-1]))
    seal_segments(unit.store, "care")

    assert "holds other entries than its log" in verify_log(unit.store).findings[0]


def test_a_unit_with_another_key_seals_anew_under_it(unit, a):
    """[SG10] A backup put up on another machine. The planted bug it has caught: segments of the
    former key handed out for ever, which no device that joins takes in.
    """
    _fill(unit, a)
    former = _list(unit, a).json()["segments"]
    unit.store.server_key = ServerKey(ec.generate_private_key(ec.SECP256R1()))

    headers, key = _join_and_hear_key(unit, "tablet-n")
    segments = _list(unit, headers).json()["segments"]

    assert [one["digest"] for one in segments] == [one["digest"] for one in former]
    for one in segments:
        _verify(key, one, "care")
    assert verify_log(unit.store).findings == ()


def test_what_was_set_aside_is_in_no_segment(unit, a):
    """[SN2]. The planted bug it has caught: rows of the log read without asking for sound ones."""
    writer = Writer("tablet-a")
    sent = texts(*(writer.write() for _ in range(10)))
    sent.append(forged(writer.write()))
    sent += texts(*(writer.write() for _ in range(10)))
    answer = unit.push(a, "tablet-a", sent)
    assert [one["op_id"] for one in answer.json()["quarantined"]] == ["tablet-a.ep01.11"]

    (one,) = _list(unit, a).json()["segments"]

    rows = _rows(_segment(unit, a, one["digest"]).content)
    assert len(rows) == 20
    assert not any('"op_id":"tablet-a.ep01.11"' in envelope for _, envelope, _ in rows)


def test_a_desk_is_refused_the_list_and_the_segment(unit, a):
    """[SN2]. The planted bug it has caught: only the list asked for the role."""
    desk = unit.join("desk-1", "booking")
    _fill(unit, a, 20)
    (one,) = _list(unit, a).json()["segments"]

    assert_problem(_list(unit, desk), 403, "does not read stream 'care'")
    assert_problem(_segment(unit, desk, one["digest"]), 403, "does not read stream 'care'")
    assert_problem(_segment(unit, {}, one["digest"]), 401)
    assert _list(unit, desk, "booking").json()["segments"] == []


def test_an_unknown_name_is_told_as_such(unit, a):
    """[SN4]."""
    assert_problem(_segment(unit, a, "0" * 64), 404, "Ask for the list again")


def test_a_segment_may_be_kept_by_the_one_who_asked_and_the_list_by_nobody(unit, a):
    """[SN1]: what never changes says so. Refusals are never kept."""
    _fill(unit, a, 20)
    (one,) = _list(unit, a).json()["segments"]

    kept = _segment(unit, a, one["digest"]).headers

    assert kept["cache-control"] == "private, max-age=31536000, immutable"
    assert kept["content-type"] == "application/gzip"
    assert "content-encoding" not in kept
    assert _list(unit, a).headers["cache-control"] == "no-store"
    assert _segment(unit, a, "0" * 64).headers["cache-control"] == "no-store"


@pytest.mark.parametrize(("count", "sealed"), [(19, 0), (20, 1), (21, 1), (40, 2)])
def test_a_segment_is_sealed_once_so_many_wait(unit, a, count, sealed):
    """[SN1]."""
    writer = Writer("tablet-a")
    unit.push(a, "tablet-a", texts(*(writer.write() for _ in range(count))))

    assert seal_segments(unit.store, "care") == sealed
    assert seal_segments(unit.store, "care") == 0
