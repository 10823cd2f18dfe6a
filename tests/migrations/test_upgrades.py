"""A store of each earlier schema that knew signatures opens today, with every byte it held.

Each dump holds a signed log with a fork and a forged body, a log whose device was revoked, one
that another device supplied with a gap in it, and the unit server's own.
"""

import hashlib
import sqlite3
from pathlib import Path

import pytest

from api.storage.connection import FILE_NAME
from api.storage.unit_store import open_unit_store
from api.use_cases.check_plans import check_waiting_plans
from api.use_cases.verify_log import verify_log

FOLDER = Path(__file__).parent
# From these numbers on a schema has the tables.
WITH_MARKS = ("0004", "0005")


@pytest.fixture(params=["0003", "0004", "0005"])
def number(request):
    return request.param


@pytest.fixture
def before(number):
    """Return the store as it was, as rows of its own schema."""
    connection = sqlite3.connect(":memory:")
    connection.executescript((FOLDER / f"store_of_{number}.sql").read_text())
    yield connection
    connection.close()


@pytest.fixture
def store(number, tmp_path):
    with sqlite3.connect(tmp_path / FILE_NAME) as connection:
        connection.executescript((FOLDER / f"store_of_{number}.sql").read_text())
    connection.close()
    opened = open_unit_store(tmp_path, new_generation="generation-2")
    yield opened
    opened.close()


def test_every_operation_is_held_byte_for_byte(before, store):
    """[REL-11] [OP3] The planted bug it has caught: an upgrade that left out what is set aside."""
    rows = before.execute(
        "SELECT device, epoch, counter, hash, body FROM operation ORDER BY device, epoch, counter"
    ).fetchall()
    assert len(rows) == 14

    with store.transaction():
        held = [
            (
                one.device,
                one.epoch,
                one.counter,
                hashlib.sha256(one.envelope_text.encode()).digest(),
                one.body_text,
            )
            for log in store.operations.logs()
            for one in store.operations.of_log(*log)
        ]

    assert held == rows


def test_a_tablet_goes_on_where_it_had_read_to(before, store):
    """[REL-11] [EX7] The planted bug it has caught: receipt numbers given anew."""
    rows = before.execute(
        "SELECT seq, stream, hash FROM operation WHERE is_quarantined = 0 ORDER BY stream, seq"
    ).fetchall()

    with store.transaction():
        held = [
            (receipt.seq, stream, bytes.fromhex(receipt.operation.hash))
            for stream in ("booking", "care", "unit")
            for receipt in store.operations.of_stream(stream, after=0, limit=100)
        ]

    assert held == rows


def test_what_was_set_aside_keeps_its_texts_sentence_and_time(before, store):
    """[REL-11] [EX6]."""
    rows = before.execute(
        "SELECT op_id, envelope, body, sentence, received_ms FROM quarantine ORDER BY rowid"
    ).fetchall()
    assert len(rows) == 3

    with store.transaction():
        kept = store.operations.quarantined()

    assert [
        (one.op_id, one.envelope, one.body, one.sentence, one.received_ms) for one in kept
    ] == rows


def test_verify_finds_it_sound_and_its_plans_are_checked(store):
    """[REL-11] [SG8]."""
    verified = verify_log(store)
    assert verified.findings == ()
    assert (verified.operations, verified.logs, verified.set_aside) == (14, 5, 3)

    check_waiting_plans(store)
    with store.transaction():
        checks, still_waiting = store.plan_checks.found(["care"])
    assert [(one.record, one.verdict) for one in checks] == [("case/c-1", "agrees")]
    assert still_waiting == 0


def test_keys_signed_heads_and_devices_stay(before, store):
    """[REL-11] [SG5] [SG8]."""
    keys = before.execute("SELECT key_id, device, after_seq FROM device_key ORDER BY number")
    heads = before.execute("SELECT device, epoch, counter, signature FROM head_signature")
    ((token,),) = before.execute("SELECT token_sha256 FROM device WHERE id = 'tablet-a'").fetchall()

    with store.transaction():
        assert [
            (key.key_id, key.device, key.after_seq)
            for name in ("unit-server", "tablet-a")
            for key in store.signatures.keys_of(name)
        ] == keys.fetchall()
        assert {
            (one.device, one.epoch, one.counter, one.signature)
            for log in store.signatures.signed_logs()
            for one in store.signatures.heads_of_log(*log)
        } == set(heads.fetchall())
        assert store.devices.token_digest_of("tablet-a") == token
        assert store.devices.find("tablet-b").revoked_ms is not None


@pytest.mark.parametrize("number", WITH_MARKS)
def test_forks_ends_of_revoked_logs_and_what_waits_stay(store):
    """[REL-11] [LG5] [EX11] [EX12]."""
    with store.transaction():
        forks = [(one.device, one.epoch, one.counter) for one in store.marks.forks()]
        assert forks == [("tablet-a", "ep01", 6)]
        assert store.marks.end_of("tablet-b", "ep01") == 2
        assert store.waiting.gaps() == {"tablet-d.ep01": 1}
