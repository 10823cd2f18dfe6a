"""Bundles from unit to unit: whole or refused, taken in by the rules of the exchange."""

import os
import sqlite3
from pathlib import Path

import msgspec
import pytest

from api.storage import bundle as bundles
from api.storage.bundle import (
    Bundle,
    BundleError,
    HeadSignature,
    Manifest,
    read_bundle,
    write_bundle,
)
from api.storage.errors import StorageError
from api.storage.p256 import name_key
from api.storage.unit_store import open_unit_store
from api.use_cases.errors import UseCaseError
from api.use_cases.export_bundle import export_bundle
from api.use_cases.import_bundle import import_bundle
from api.use_cases.load_scenario import load_scenario
from api.use_cases.receive_push import receive_push
from api.use_cases.verify_log import verify_log
from tests.unit.api.signing_device import SigningDevice
from tests.unit.api.standing_unit import NOON_MS, Writer, forged, texts

ROOT = Path(__file__).resolve().parents[3]
STORY = ROOT / "seed_scenarios/00_unit.json"


@pytest.fixture
def unit(tmp_path):
    opened = open_unit_store(tmp_path / "unit", new_generation="generation-1")
    yield opened
    opened.close()


@pytest.fixture
def other(tmp_path):
    opened = open_unit_store(tmp_path / "other", new_generation="generation-2")
    yield opened
    opened.close()


def _bundle(*operations):
    return Bundle(
        Manifest(made_by="tablet-a", made_at_ms=NOON_MS, scope="all", streams=("care",)),
        tuple(one if isinstance(one, tuple) else texts(one)[0] for one in operations),
    )


def _content(store):
    """Return all that the log and the views of a store say, but receipt numbers."""
    with store.transaction():
        operations = store.operations
        held = [
            (one.envelope_text, one.body_text)
            for log in operations.logs()
            for one in operations.of_log(*log)
        ]
        states = {record: store.views.state_of(record) for record in operations.records()}
        return held, states, [one.envelope for one in operations.quarantined()]


def _load_story(store):
    load_scenario(store, STORY.stem, STORY.read_bytes())


def test_what_one_unit_saved_another_holds_whole_and_the_second_time_changes_nothing(
    unit, other, tmp_path
):
    """[BU1] [BU3].

    The planted bugs it has caught: the texts in quarantine left out of the file; a forged body
    that moved its log on.
    """
    _load_story(unit)
    a = Writer("tablet-a")
    joined = _device(unit, "tablet-a")
    receive_push(unit, joined, texts(a.write(), a.write("puncture/p-2")), now_ms=NOON_MS)
    receive_push(unit, joined, [forged(a.write()), *texts(a.write())], now_ms=NOON_MS)
    count = export_bundle(unit, tmp_path / "all.crura", now_ms=NOON_MS).operations
    bundle = read_bundle(tmp_path / "all.crura")

    imported = import_bundle(other, bundle, now_ms=NOON_MS, is_of_unit=True)

    # A forged body keeps its place free, so what comes after it waits.
    assert (imported.new, imported.waiting, len(imported.set_aside)) == (count - 2, 1, 1)
    assert verify_log(other).findings == ()
    before = _content(other)
    again = import_bundle(other, bundle, now_ms=NOON_MS + 1, is_of_unit=True)
    assert (again.new, again.known) == (0, count - 2)
    assert _content(other) == before
    # The true texts come later: nothing that came before stands in their way.
    receive_push(other, _device(other, "tablet-a"), texts(a.log[2]), now_ms=NOON_MS)
    with other.transaction():
        assert other.operations.tip_of("tablet-a", "ep01").counter == 4
        assert [one.is_entered_in_error for one in other.views.of_kind("puncture")] == [False] * 2


def test_what_a_unit_server_wrote_is_left_in_a_file_that_nobody_vouched_for(unit):
    """[BU4]. The planted bug it has caught: the server's log taken in from any file."""
    release = Writer("unit-server").write("rule_file_release/r-1", "unit", set={"file": "f"})
    by_device = Writer("tablet-a").write("rule_file_release/r-2", "unit", set={"file": "f"})

    imported = import_bundle(unit, _bundle(by_device, release), now_ms=NOON_MS)

    assert (imported.new, imported.left_of_unit) == (0, 1)
    assert [one.op_id for one in imported.set_aside] == ["tablet-a.ep01.1"]
    vouched = import_bundle(unit, _bundle(release), now_ms=NOON_MS, is_of_unit=True)
    assert (vouched.new, vouched.left_of_unit) == (1, 0)


def test_a_whole_unit_moves_to_a_new_folder_by_file(unit, other, tmp_path):
    """[BU1]."""
    _load_story(unit)
    export_bundle(unit, tmp_path / "all.crura", now_ms=NOON_MS)

    import_bundle(other, read_bundle(tmp_path / "all.crura"), now_ms=NOON_MS, is_of_unit=True)

    assert _content(other) == _content(unit)
    assert read_bundle(tmp_path / "all.crura").manifest.made_by == "generation-1"


def _device(store, name, role="bedside"):
    with store.transaction():
        store.devices.keep(name, name, role, f"token of {name}", joined_ms=NOON_MS)
        found = store.devices.find(name)
    assert found is not None
    return found


def test_gaps_wait_and_are_taken_in_once_filled(unit):
    """[BU3]. The planted bug it has caught: a gap taken for what continues the log."""
    a = Writer("tablet-a")
    first, second, third = a.write(), a.write(), a.write()

    late = import_bundle(unit, _bundle(second, third), now_ms=NOON_MS)

    assert (late.new, late.waiting, late.set_aside) == (0, 2, ())
    filled = import_bundle(unit, _bundle(first), now_ms=NOON_MS)
    assert (filled.new, filled.waiting) == (3, 0)
    assert import_bundle(unit, _bundle(second, third), now_ms=NOON_MS).known == 2
    assert verify_log(unit).findings == ()


def test_a_fork_is_set_aside_with_all_that_follows_it(unit):
    """[BU3]. The planted bug it has caught: the branch after a fork left waiting for ever."""
    one, other = Writer("tablet-a"), Writer("tablet-a")
    shared = one.write()
    other.log.append(shared)
    held, left, after = one.write(), other.write(set={"stop_um": 20_000}), other.write()
    import_bundle(unit, _bundle(shared, held), now_ms=NOON_MS)

    imported = import_bundle(unit, _bundle(shared, left, after), now_ms=NOON_MS)

    assert (imported.new, imported.known, imported.waiting) == (0, 1, 0)
    assert [one.op_id for one in imported.set_aside] == ["tablet-a.ep01.2", "tablet-a.ep01.3"]
    with unit.transaction():
        assert unit.operations.tip_of("tablet-a", "ep01").hash == held.hash


def test_streams_that_a_role_does_not_write_and_revoked_devices_are_set_aside(unit):
    """[BU4]. The planted bug it has caught: the role of the writing device not asked."""
    _device(unit, "desk-1", "booking")
    _device(unit, "tablet-r")
    with unit.transaction():
        unit.devices.revoke("tablet-r", revoked_ms=NOON_MS)

    imported = import_bundle(
        unit,
        _bundle(
            Writer("desk-1").write(),
            Writer("tablet-a").write(stream="booking"),
            Writer("tablet-r").write(),
        ),
        now_ms=NOON_MS,
    )

    assert imported.new == 0
    assert [one.sentence.split(" ")[0] for one in imported.set_aside] == [
        "desk-1.ep01.1",
        "tablet-a.ep01.1",
        "tablet-r.ep01.1",
    ]


def test_one_stream_alone_is_saved(unit, tmp_path):
    """[BU4]. The planted bug it has caught: the filter left out."""
    _load_story(unit)

    export_bundle(unit, tmp_path / "desk.crura", streams=["unit"], now_ms=NOON_MS)

    bundle = read_bundle(tmp_path / "desk.crura")
    assert bundle.manifest.streams == ("unit",)
    assert bundle.operations
    assert all('"stream":"unit"' in envelope for envelope, _ in bundle.operations)
    with pytest.raises(UseCaseError, match="There is no stream 'letters'"):
        export_bundle(unit, tmp_path / "x", streams=["letters"], now_ms=NOON_MS)


def test_signed_heads_go_along_and_only_those_by_a_known_key_are_kept(unit, other, tmp_path):
    """[BU6]. The planted bugs it has caught: a signature kept without asking whether it holds,
    or whether its head is held."""
    signer, writer = SigningDevice("tablet-a"), Writer("tablet-a")
    _device(unit, "tablet-a")
    with unit.transaction():
        unit.signatures.enrol("tablet-a", signer.public_key, "ep01")
    sent = [writer.write(), writer.write()]
    bundle = _bundle(*sent)
    head = HeadSignature(
        "tablet-a", "ep01", 2, sent[1].hash, name_key(signer.public_key), signer.sign_head(sent[1])
    )
    later = writer.write()
    not_held = msgspec.structs.replace(
        head, counter=3, hash=later.hash, signature=signer.sign_head(later)
    )
    of_other = msgspec.structs.replace(head, signature=SigningDevice("b").sign_head(sent[1]))
    for wrong in (
        of_other,
        msgspec.structs.replace(head, counter=1),
        not_held,
        msgspec.structs.replace(head, key="0" * 64),
        msgspec.structs.replace(head, signature="?"),
        msgspec.structs.replace(head, epoch="?"),
    ):
        import_bundle(unit, msgspec.structs.replace(bundle, signatures=(wrong,)), now_ms=NOON_MS)
        with unit.transaction():
            assert unit.signatures.signed_logs() == []

    import_bundle(unit, msgspec.structs.replace(bundle, signatures=(head,)), now_ms=NOON_MS)

    assert verify_log(unit).findings == ()
    export_bundle(unit, tmp_path / "signed.crura", now_ms=NOON_MS)
    read = read_bundle(tmp_path / "signed.crura")
    assert read.signatures == (head,)
    import_bundle(other, read, now_ms=NOON_MS)
    with unit.transaction(), other.transaction():
        assert unit.signatures.heads_of_log("tablet-a", "ep01")[0].counter == 2
        assert other.signatures.signed_logs() == []


def test_nothing_is_overwritten(unit, tmp_path):
    """[BU1]."""
    (tmp_path / "taken").write_text("")

    with pytest.raises(StorageError, match="exists already"):
        export_bundle(unit, tmp_path / "taken", now_ms=NOON_MS)
    assert (tmp_path / "taken").read_text() == ""
    assert list(tmp_path.glob("*.part")) == []


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ("DROP TABLE head_signature", "other tables"),
        ("CREATE VIEW seen AS SELECT 1", "other tables"),
        ("CREATE TRIGGER t AFTER INSERT ON operation BEGIN SELECT 1; END", "other tables"),
        ("PRAGMA application_id = 1", "no bundle of this program"),
        ("PRAGMA user_version = 2", "format 2"),
        ("DELETE FROM manifest WHERE name = 'scope'", "another manifest"),
        ("UPDATE manifest SET content = '7' WHERE name = 'made_at_ms'", "changed or damaged"),
        ("UPDATE manifest SET content = 'x' WHERE name = 'made_at_ms'", "no whole bundle"),
        ("DELETE FROM operation WHERE place = 2", "changed or damaged"),
        ("UPDATE operation SET place = 9 WHERE place = 1", "changed or damaged"),
        ("UPDATE operation SET body = body || ' ' WHERE place = 1", "changed or damaged"),
        (
            "INSERT INTO head_signature VALUES ('a', 'ep01', 1, 'h', 'k', 's')",
            "changed or damaged",
        ),
    ],
)
def test_a_changed_file_is_refused_in_one_sentence(tmp_path, change, sentence):
    """[BU1] [BU2]. The planted bugs it has caught: a digest over operations
    alone; a schema that was not compared."""
    a = Writer("tablet-a")
    path = tmp_path / "b.crura"
    write_bundle(path, _bundle(a.write(), a.write()))
    with sqlite3.connect(path) as connection:
        connection.execute(change)
    connection.close()

    with pytest.raises(BundleError, match=sentence) as refused:
        read_bundle(path)
    assert str(refused.value).endswith(".")


@pytest.mark.parametrize("content", [b"", b"SQLite format 3\0", os.urandom(5_000)])
def test_what_is_no_bundle_is_refused(tmp_path, content):
    """[BU1]."""
    path = tmp_path / "b.crura"
    path.write_bytes(content)

    with pytest.raises(BundleError):
        read_bundle(path)
    assert path.read_bytes() == content
    assert list(tmp_path.iterdir()) == [path]


def test_a_missing_or_overlarge_file_is_refused(tmp_path, monkeypatch):
    """[BU1]."""
    with pytest.raises(BundleError, match="There is no file"):
        read_bundle(tmp_path / "none")
    write_bundle(tmp_path / "b", _bundle(Writer("tablet-a").write()))
    monkeypatch.setattr(bundles, "MAX_BUNDLE_BYTES", 100)
    with pytest.raises(BundleError, match="over 100 bytes"):
        read_bundle(tmp_path / "b")


def test_one_changed_byte_anywhere_yields_the_same_operations_or_none(tmp_path):
    """[BU2]: a byte at every 1/200 of the file, three changes each; then each cut there.

    The planted bugs it has caught: the comparison with the manifest left out; texts that a changed
    byte had turned into bytes.
    """
    a = Writer("tablet-a")
    original = _bundle(*(a.write(f"puncture/p-{number}") for number in range(40)))
    path = tmp_path / "b.crura"
    write_bundle(path, original)
    content = path.read_bytes()
    refused = 0
    for part in range(200):
        place = part * len(content) // 200
        for mask in (0x01, 0x20, 0xFF):
            changed = bytearray(content)
            changed[place] ^= mask
            refused += _reads_alike_or_not(path, bytes(changed), original)
        refused += _reads_alike_or_not(path, content[:place], original)
    # Most of the file are texts; the rest is empty room that nothing reads.
    assert refused > 400


def _reads_alike_or_not(path, content, original):
    path.write_bytes(content)
    try:
        assert read_bundle(path) == original
    except BundleError:
        return 1
    return 0
