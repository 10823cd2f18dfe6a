"""Whoever changes a store whose seal he took away is found by the logic of the log.

What logic alone finds, with the seal taken away: everything that is chained or signed, that is
operations changed, deleted, put in another's place, slipped in or appended without a signature,
logs cut off below a signed head, signatures changed or of a stranger's key, texts of the
quarantine and views. What it does not find: receipt numbers and times, names of devices,
invitations, facts, and a log that is cut off together with its signatures, or that was never
signed. Those the seal finds (test_seal.py), and of a log its device's next handshake (EX2).

Two groups of 200 changes, of bytes and of rows by SQL in 23 ways; `SOAK=1` makes 1,250 in each,
and with the six groups of `test_seal.py` 10,000 in all (SEC-17).
"""

# ruff: noqa: S608  the statements are an attacker's, of constants alone

import random
import shutil
import sqlite3
from contextlib import suppress

import pytest

from api.storage.connection import FILE_NAME
from api.storage.entry_rows import read_entries
from api.storage.errors import StorageError
from api.storage.p256 import read_base64
from api.storage.seal import SUFFIX
from api.storage.unit_store import open_unit_store
from api.use_cases.verify_log import verify_log
from sync.errors import SyncError
from tests.unit.api.signing_device import SigningDevice
from tests.unit.api.standing_unit import NOON_MS, Writer
from tests.unit.api.tampered_store import (
    TABLETS,
    TRIES,
    change_byte,
    cut_off_with_signatures,
    fill_store,
    findings_of,
    of_device,
)


@pytest.fixture(scope="module")
def closed(tmp_path_factory):
    folder = tmp_path_factory.mktemp("closed") / "unit"
    fill_store(folder)
    return folder


@pytest.fixture
def folder(closed, tmp_path):
    return shutil.copytree(closed, tmp_path / "unit")


@pytest.fixture
def unsealed(folder):
    """A store whose seal an attacker took away, open."""
    (folder / f"{FILE_NAME}{SUFFIX}").unlink()
    store = open_unit_store(folder, new_generation="generation-1")
    yield store
    store.close()


def test_what_logic_alone_does_not_find_is_what_the_seal_is_for(unsealed):
    """[SG8] A log cut off with its signatures is a sound shorter log (EX2 tells, and the seal)."""
    with unsealed.transaction():
        cut_off_with_signatures(unsealed._database.connection)
        unsealed.views.rebuild()

    assert verify_log(unsealed).findings == ()


def _all_that_is_bound(file):
    """Return whatever is chained, signed, digested or merged from it."""
    connection = sqlite3.connect(file)
    try:
        return [
            list(read_entries(connection, "ORDER BY seq")),
            *(
                connection.execute(f"SELECT {columns} FROM {table} ORDER BY 1, 2, 3").fetchall()
                for table, columns in (
                    ("quarantine", "digest, envelope, body"),
                    ("head_signature", "device, epoch, counter, hash, key_id, signature"),
                    ("record_view", "*"),
                )
            ),
        ]
    finally:
        connection.close()


def test_a_byte_changed_without_a_seal_is_found_or_changed_nothing_that_is_bound(
    closed, folder, tmp_path
):
    """[SG8] [SEC-17] The planted bug it has caught: a body changed where its view was not."""
    drawn = random.Random(4_711)
    file = folder / FILE_NAME
    content, before = file.read_bytes(), _all_that_is_bound(closed / FILE_NAME)
    # Free space holds nothing: a change there is no change of a record.
    written = [place for place, byte in enumerate(content) if byte]
    found = 0
    for _ in range(TRIES):
        (folder / f"{FILE_NAME}{SUFFIX}").unlink(missing_ok=True)
        file.write_bytes(change_byte(content, drawn, written))
        if findings_of(folder):
            found += 1
        else:
            assert _all_that_is_bound(file) == before
    # Most of what is written is bound.
    assert found > TRIES // 2


def _delete(drawn):
    # The last of a log falls too, since its head is signed.
    place = f"{of_device(drawn.choice(TABLETS))} AND counter = {drawn.randrange(1, 13)}"
    return [f"DELETE FROM log_entry WHERE {place}"]


def _cut_off(drawn):
    place = f"{of_device(drawn.choice(TABLETS))} AND counter >= {drawn.randrange(1, 13)}"
    return [f"DELETE FROM log_entry WHERE {place}"]


def _take_whole_log(drawn):
    return [f"DELETE FROM log_entry WHERE {of_device(drawn.choice((*TABLETS, 'unit-server')))}"]


def _take_name_of_log(drawn):
    return [f"DELETE FROM log WHERE device = '{drawn.choice((*TABLETS, 'unit-server'))}'"]


def _swap(*columns):
    def swap(drawn):
        one, other = drawn.sample(range(1, 13), 2)
        device = of_device(drawn.choice(TABLETS))
        changes = [
            f"{column} = CASE counter WHEN {one} THEN ({_at(column, device, other)})"
            f" ELSE ({_at(column, device, one)}) END"
            for column in columns
        ]
        return [
            f"UPDATE log_entry SET {', '.join(changes)}"
            f" WHERE {device} AND counter IN ({one}, {other})"
        ]

    return swap


def _at(column, device, counter):
    return f"SELECT {column} FROM log_entry WHERE {device} AND counter = {counter}"


def _swap_counters(drawn):
    one, other = drawn.sample(range(1, 13), 2)
    where = f"{of_device(drawn.choice(TABLETS))} AND counter ="
    return [
        f"UPDATE log_entry SET counter = 99 WHERE {where} {one}",
        f"UPDATE log_entry SET counter = {one} WHERE {where} {other}",
        f"UPDATE log_entry SET counter = {other} WHERE {where} 99",
    ]


def _swap_pieces(drawn):
    # Those of the first tablet: another's may hold the same texts.
    one, other = drawn.sample(range(3, 6), 2)
    return [
        f"UPDATE bodies SET content = CASE id WHEN {one} THEN"
        f" (SELECT content FROM bodies WHERE id = {other})"
        f" ELSE (SELECT content FROM bodies WHERE id = {one}) END WHERE id IN ({one}, {other})"
    ]


def _rename_record(drawn):
    part = f"{drawn.choice(TABLETS)}-{drawn.randrange(3)}-{drawn.randrange(4)}"
    return [f"UPDATE record SET name = 'puncture/other' WHERE name = 'puncture/{part}'"]


def _rename_stream(_):
    return ["UPDATE stream SET name = 'unit_2' WHERE name = 'care'"]


def _move_stamp(drawn):
    place = f"{of_device(drawn.choice(TABLETS))} AND counter = {drawn.randrange(1, 13)}"
    return [f"UPDATE log_entry SET stamp = stamp - {drawn.randrange(1, 10**6)} WHERE {place}"]


def _give_to_another(drawn):
    one, other = drawn.sample(TABLETS, 2)
    return [
        f"UPDATE log SET epoch = 'ep99' WHERE device = '{one}'",
        f"UPDATE log SET device = '{one}' WHERE device = '{other}'",
    ]


def _change_signature(drawn):
    digit = drawn.randrange(1, 64)
    signature = (
        f"CAST(substr(signature, 1, {digit}) || zeroblob(1) || substr(signature, {digit + 2})"
        " AS BLOB)"
    )
    return [
        f"UPDATE head_signature SET signature = {signature}"
        f" WHERE device = '{drawn.choice(TABLETS)}' AND counter = {drawn.choice([4, 8, 12])}"
    ]


def _take_last_signature(drawn):
    return [f"DELETE FROM head_signature WHERE device = '{drawn.choice(TABLETS)}' AND counter = 12"]


def _take_all_signatures(drawn):
    return [f"DELETE FROM head_signature WHERE device = '{drawn.choice(TABLETS)}'"]


def _take_key(drawn):
    return [f"DELETE FROM device_key WHERE device = '{drawn.choice((*TABLETS, 'unit-server'))}'"]


def _swap_keys(drawn):
    one, other = drawn.sample(TABLETS, 2)
    return [
        f"UPDATE device_key SET public_key = (SELECT public_key FROM device_key"
        f" WHERE device = '{one}') WHERE device = '{other}'"
    ]


def _take_quarantined_text(_):
    return ["DELETE FROM quarantine"]


def _change_quarantined_text(drawn):
    part = drawn.choice(["envelope", "body"])
    return [f"UPDATE quarantine SET {part} = replace({part}, 'tablet', 'Tablet') || ' '"]


def _hide(drawn):
    place = f"{of_device(drawn.choice(TABLETS))} AND counter = {drawn.choice([1, 5, 12])}"
    return [f"UPDATE log_entry SET is_quarantined = 1 WHERE {place}"]


def _empty(drawn):
    place = f"{of_device(drawn.choice(TABLETS))} AND counter = {drawn.choice([1, 5, 12])}"
    return [f"UPDATE log_entry SET bodies = NULL, place = NULL WHERE {place}"]


def _append_whole_batch(drawn):
    return [drawn.choice(TABLETS)]


KINDS = {
    "deleted": _delete,
    "cut off": _cut_off,
    "whole log taken away": _take_whole_log,
    "name of a log taken away": _take_name_of_log,
    "bodies swapped": _swap("bodies", "place"),
    "pieces of bodies swapped": _swap_pieces,
    "record renamed": _rename_record,
    "stream renamed": _rename_stream,
    "stamp moved": _move_stamp,
    "records swapped": _swap("record"),
    "hashes swapped": _swap("hash"),
    "counters swapped": _swap_counters,
    "given to another device": _give_to_another,
    "signature changed": _change_signature,
    "last signature taken away": _take_last_signature,
    "all signatures of a device taken away": _take_all_signatures,
    "key taken away": _take_key,
    "keys exchanged": _swap_keys,
    "quarantined text taken away": _take_quarantined_text,
    "quarantined text changed": _change_quarantined_text,
    "hidden as set aside": _hide,
    "emptied": _empty,
    "forged entries appended": _append_whole_batch,
}


class _TakenBackError(Exception):
    """Ends a transaction so that nothing of it stays."""


def test_whatever_is_done_to_a_log_by_sql_is_found_by_logic_alone(unsealed):
    """[SG8] [LG1] [OP5] [SEC-17] The planted bugs it has caught: a log without any signature
    left passed as unsigned; the flag of a set-aside entry not held against its text.
    """
    drawn = random.Random(99)
    missed = []
    for number in range(TRIES):
        name, kind = list(KINDS.items())[number % len(KINDS)]
        try:
            with unsealed.transaction():
                done = kind(drawn)
                if kind is _append_whole_batch:
                    _forge_at_the_end(unsealed, done[0])
                else:
                    for statement in done:
                        unsealed._database.connection.execute(statement)
                # Whoever changes a log makes the views fit.
                _rebuild_if_he_can(unsealed)
                if not verify_log(unsealed).findings:
                    missed.append((name, done))
                raise _TakenBackError
        except _TakenBackError:
            pass
    assert missed == []
    assert verify_log(unsealed).findings == ()


def _rebuild_if_he_can(store):
    with suppress(SyncError, StorageError):
        store.views.rebuild()


def _forge_at_the_end(store, device):
    tip = store.operations.tip_of(device, "ep01")
    writer = Writer(device)
    more = writer.write("puncture/p-99", counter=tip.counter + 1, previous=tip.hash)
    store.operations.append([more], received_ms=NOON_MS)


def test_a_strangers_key_under_the_id_of_a_device_is_found(unsealed):
    """[SG2] [SG8] The planted bug it has caught: the id of a key not held against its bytes."""
    stranger = SigningDevice("tablet-a", number=9)
    execute = unsealed._database.connection.execute
    with unsealed.transaction():
        execute(
            "UPDATE device_key SET public_key = ? WHERE device = 'tablet-a'", (stranger.public_key,)
        )
        for operation in unsealed.operations.of_log("tablet-a", "ep01"):
            signature = read_base64(stranger.sign_head(operation))
            execute(
                "UPDATE head_signature SET signature = ? WHERE device = 'tablet-a' AND counter = ?",
                (signature, operation.counter),
            )

    assert "tablet-a.ep01.4 is signed by a key that" in verify_log(unsealed).findings[0]


def test_a_finding_names_the_first_operation_that_is_not_sound(unsealed):
    """[SG8]."""
    with unsealed.transaction():
        unsealed._database.connection.execute(
            f"UPDATE log_entry SET place = 3 - place WHERE {of_device('tablet-b')}"
            " AND counter IN (6, 9)"
        )

    assert "tablet-b.ep01.6 " in verify_log(unsealed).findings[0]
