"""Sealed segments: whole, never changed, signed, and for the roles that read the stream alone."""

import gzip
import hashlib
import json

import pytest
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature
from cryptography.hazmat.primitives.serialization import load_der_public_key

from api.storage import snapshots
from api.use_cases.answer_snapshot import seal_segments
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


def test_a_segment_is_signed_by_the_server(unit, a):
    """[SN1]. The planted bug it has caught: the stream left out of what is signed."""
    unit.push(a, "tablet-a", texts(*(Writer("tablet-a", f"ep{n:02}").write() for n in range(20))))
    listed = _list(unit, a).json()
    (one,) = listed["segments"]
    key = load_der_public_key(bytes.fromhex(listed["public_key"]))
    signature = bytes.fromhex(one["signature"])
    assert isinstance(key, ec.EllipticCurvePublicKey)

    text = f"crura-segment\n{one['digest']}\ncare\n1\n20\n20"
    parts = (int.from_bytes(signature[:32]), int.from_bytes(signature[32:]))
    key.verify(encode_dss_signature(*parts), text.encode(), ec.ECDSA(hashes.SHA256()))


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
    unit.push(a, "tablet-a", texts(*(Writer("tablet-a", f"ep{n:02}").write() for n in range(20))))
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
    unit.push(a, "tablet-a", texts(*(Writer("tablet-a", f"ep{n:02}").write() for n in range(20))))
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
