"""The chain of access events: what is done to it behind its back is found."""

# ruff: noqa: S608  the statements are an attacker's, of constants alone

import os
import random
import sqlite3
from contextlib import suppress

import msgspec
import pytest
from cryptography.hazmat.primitives.asymmetric import ec

from api.storage.access_log import AccessLog, hash_line, read_line, write_line
from api.storage.connection import FILE_NAME
from api.storage.p256 import write_base64
from api.storage.seal import SUFFIX
from api.storage.server_key import ServerKey
from api.storage.unit_store import open_unit_store
from api.use_cases.note_access import (
    MOST_LETTERS,
    MOST_RECORDS,
    AccessEvent,
    export_access_head,
    note_access,
)
from api.use_cases.verify_access import judge_access_log
from api.use_cases.verify_log import verify_log
from tests.unit.api.standing_unit import NOON_MS

TRIES = 10_000 if os.environ.get("SOAK") else 200
DAY_MS = 86_400_000
EVENTS = 60


class _TakenBackError(Exception):
    """Ends a transaction so that nothing of it stays."""


def _event(number, **parts):
    return AccessEvent(
        **{
            "at_ms": NOON_MS + number * 60_000,
            "asker": "person",
            "who": f"staff/nurse-{number % 3}",
            "role": "assistant",
            "verb": "read",
            "object": "patient",
            "records": (f"patient/number-{number % 7}",),
            "device": "tablet-a",
            **parts,
        }
    )


@pytest.fixture
def store(tmp_path):
    opened = open_unit_store(tmp_path / "unit", new_generation="generation-1")
    yield opened
    opened.close()


@pytest.fixture
def filled(store):
    for number in range(EVENTS):
        note_access(store, _event(number))
    return store


def _judge(store, outside=()):
    with store.transaction():
        return list(judge_access_log(store, outside))


def test_each_line_is_canonical_and_names_the_one_before_it(filled):
    """[AU1] [SEC-17]"""
    rows = list(filled.access.texts())

    assert [seq for seq, _, _ in rows] == list(range(1, EVENTS + 1))
    before = ""
    for seq, text, kept in rows:
        line = read_line(text)
        assert write_line(line) == text
        assert (line.seq, line.previous) == (seq, before)
        assert hash_line(text) == kept
        before = kept
    assert rows[0][1] == (
        '{"seq":1,"previous":"","noted_ms":1790000000000,"at_ms":1790000000000,"asker":"person",'
        '"who":"staff/nurse-0","role":"assistant","device":"tablet-a","verb":"read",'
        '"object":"patient","records":["patient/number-0"],"why":"","outcome":"done","told":""}'
    )
    assert _judge(filled) == []


def test_an_event_inside_a_transaction_goes_with_it(store):
    """[AU5]"""
    with suppress(_TakenBackError), store.transaction():
        note_access(store, _event(1))
        assert store.access.tip()[0] == 1
        raise _TakenBackError

    assert store.access.tip() == (0, "")


def test_long_lists_and_reasons_are_kept_short_and_say_so(store):
    """[AU1]"""
    many = tuple(f"patient/{one}" for one in range(MOST_RECORDS + 1))
    line = note_access(store, _event(1, records=many, why="x" * (MOST_LETTERS + 10)))
    assert len(line.records) == MOST_RECORDS
    assert line.why.endswith("x (cut off) (and 1 more records)")
    assert note_access(store, _event(1, why="y" * MOST_LETTERS)).why == "y" * MOST_LETTERS
    assert note_access(store, _event(1, records=many)).why == "(and 1 more records)"


def test_a_text_that_names_no_record_is_not_kept(store):
    """[AU1] The planted bug it has caught: whatever was asked for stood in the trail."""
    asked = ("patient/p-1", "case/Greyfen Ann", "x" * 3_000, "visit/" + "v" * 65, "case/c\n")
    line = note_access(store, _event(1, records=asked))

    assert line.records == ("patient/p-1", *["(no record)"] * 4)


def test_the_first_event_of_a_later_day_signs_where_the_day_before_ended(store):
    """[AU2] The planted bug it has caught: the head was signed behind the new event."""
    for number in range(3):
        note_access(store, _event(0, at_ms=NOON_MS + number))
    before = store.access.tip()
    note_access(store, _event(0, at_ms=NOON_MS + DAY_MS))
    note_access(store, _event(0, at_ms=NOON_MS + DAY_MS + 1))

    heads = store.access.heads()

    assert [(head.seq, head.hash) for head in heads] == [before]
    assert heads[0].at_ms == NOON_MS + DAY_MS
    assert heads[0].is_sound


def test_closing_signs_where_the_chain_ends(filled, tmp_path):
    """[AU2]"""
    filled.close()
    again = open_unit_store(tmp_path / "unit", new_generation="x")
    try:
        assert again.access.heads()[-1].seq == EVENTS
        assert verify_log(again).findings == ()
    finally:
        again.close()


def test_an_empty_chain_has_no_head(store):
    """[AU2]"""
    assert export_access_head(store, at_ms=NOON_MS) is None
    assert _judge(store) == []


# Ways to change the log by SQL, with the heads left or taken away.


def _delete(drawn):
    return [f"DELETE FROM access_event WHERE seq = {drawn.randrange(1, EVENTS + 1)}"]


def _cut_off(drawn):
    return [f"DELETE FROM access_event WHERE seq > {drawn.randrange(EVENTS)}"]


def _cut_off_with_heads(drawn):
    place = drawn.randrange(EVENTS)
    return [
        f"DELETE FROM access_event WHERE seq > {place}",
        f"DELETE FROM access_head WHERE seq > {place}",
    ]


def _swap(drawn):
    one, other = drawn.sample(range(1, EVENTS + 1), 2)
    return [
        f"UPDATE access_event SET seq = 1000 WHERE seq = {one}",
        f"UPDATE access_event SET seq = {one} WHERE seq = {other}",
        f"UPDATE access_event SET seq = {other} WHERE seq = 1000",
    ]


def _swap_texts(drawn):
    one, other = drawn.sample(range(1, EVENTS + 1), 2)
    return [
        f"UPDATE access_event SET line = CASE seq WHEN {one} THEN"
        f" (SELECT line FROM access_event WHERE seq = {other})"
        f" ELSE (SELECT line FROM access_event WHERE seq = {one}) END WHERE seq IN ({one},{other})"
    ]


def _change_letter(drawn):
    place = drawn.randrange(1, EVENTS + 1)
    return [f"UPDATE access_event SET line = replace(line, 'nurse-', 'nursf-') WHERE seq = {place}"]


def _rewrite(*, forward):
    def rewrite(drawn):
        return ("rewrite", drawn.randrange(1, EVENTS + 1), forward)

    return rewrite


def _insert(drawn):
    return ("insert", drawn.randrange(1, EVENTS + 1), True)


def _change_head(_):
    return ["UPDATE access_head SET at_ms = at_ms + 1"]


KINDS = {
    "deleted": _delete,
    "cut off": _cut_off,
    "cut off with its heads": _cut_off_with_heads,
    "swapped": _swap,
    "texts swapped": _swap_texts,
    "one letter changed": _change_letter,
    "written anew with its hash": _rewrite(forward=False),
    "written anew with all that follows": _rewrite(forward=True),
    "one put in": _insert,
    "head changed": _change_head,
}


def _do(connection, change):
    if isinstance(change, list):
        for statement in change:
            connection.execute(statement)
        return
    kind, place, forward = change
    rows = connection.execute("SELECT line FROM access_event ORDER BY seq").fetchall()
    lines = [read_line(row[0]) for row in rows]
    if kind == "insert":
        lines.insert(place - 1, msgspec.structs.replace(lines[place - 1], who="staff/other"))
    else:
        lines[place - 1] = msgspec.structs.replace(lines[place - 1], who="staff/other")
    connection.execute("DELETE FROM access_event")
    log, before = AccessLog(connection), ""
    for number, line in enumerate(lines, start=1):
        if kind == "insert" or (forward and number >= place):
            line = msgspec.structs.replace(line, seq=number, previous=before)
        text = write_line(line)
        before = hash_line(text)
        log.connection.execute(
            "INSERT INTO access_event VALUES (?, ?, ?)", (number, text, bytes.fromhex(before))
        )


def test_whatever_is_done_to_the_access_log_is_found(filled):
    """[AU3] [SEC-17] The planted bugs it has caught: a line held against its own hash alone, so
    that one written anew with its hash passed; heads kept outside that were not looked at.
    """
    drawn = random.Random(8)
    outside = export_access_head(filled, at_ms=NOON_MS + DAY_MS)
    assert _judge(filled, [outside]) == []
    missed = []
    for number in range(TRIES):
        name = list(KINDS)[number % len(KINDS)]
        change = KINDS[name](drawn)
        try:
            with filled.transaction():
                _do(filled.access.connection, change)
                if not list(judge_access_log(filled, [outside])):
                    missed.append((name, change))
                raise _TakenBackError
        except _TakenBackError:
            pass
    assert missed == []
    assert _judge(filled, [outside]) == []


def test_what_only_a_head_kept_outside_finds(filled):
    """[AU3] A log cut off together with the heads over it is a sound shorter log by itself."""
    outside = export_access_head(filled, at_ms=NOON_MS + DAY_MS)
    with filled.transaction():
        filled.access.connection.execute("DELETE FROM access_event WHERE seq > 50")
        filled.access.connection.execute("DELETE FROM access_head WHERE seq > 50")

    assert _judge(filled) == []
    found = _judge(filled, [outside])
    assert len(found) == 1
    assert "60, kept outside, was reached once" in found[0]


def test_a_head_of_a_stranger_or_with_another_text_counts_for_nothing(filled):
    """[AU3]"""
    outside = export_access_head(filled, at_ms=NOON_MS)
    other = ServerKey(ec.generate_private_key(ec.SECP256R1()))
    bare = msgspec.structs.replace(outside, key=write_base64(other.public_key), signature="")
    forged = msgspec.structs.replace(
        bare, signature=write_base64(other.sign(bare.signed_text.encode()))
    )

    assert "never had" in _judge(filled, [forged])[0]
    changed = msgspec.structs.replace(outside, seq=outside.seq - 1)
    assert "is not what its key signed" in _judge(filled, [changed])[0]


def test_a_closed_store_cut_off_with_its_heads_is_told_by_its_seal(filled, tmp_path):
    """[AU3] [SG9]"""
    filled.close()
    with sqlite3.connect(tmp_path / "unit" / FILE_NAME) as connection:
        connection.execute("DELETE FROM access_event WHERE seq > 50")
        connection.execute("DELETE FROM access_head WHERE seq > 50")
    connection.close()
    assert (tmp_path / "unit" / f"{FILE_NAME}{SUFFIX}").exists()
    again = open_unit_store(tmp_path / "unit", new_generation="x")
    try:
        assert any("its seal" in one for one in verify_log(again).findings)
    finally:
        again.close()
