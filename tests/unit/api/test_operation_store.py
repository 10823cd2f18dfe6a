"""The unit's store on disk: what was acknowledged survives, and one process alone writes."""

import os
import signal
import sqlite3
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from api.storage.backups import write_backup
from api.storage.connection import FILE_NAME
from api.storage.device_store import Device
from api.storage.errors import FolderInUseError, StorageError
from api.storage.handles import NAMES_AT_ONCE, Handles
from api.storage.unit_store import open_unit_store
from api.use_cases.add_staff import add_staff
from api.use_cases.errors import NotAllowedError
from api.use_cases.rebuild_views import rebuild_views
from api.use_cases.receive_push import receive_push
from api.use_cases.restore_unit import restore_unit
from api.use_cases.server_log import SERVER_DEVICE, Chance
from api.use_cases.verify_log import verify_log
from sync.clock import Stamp
from sync.operation import Body, make_operation
from tests.unit.api.standing_unit import Writer, texts

ROOT = Path(__file__).resolve().parents[3]
TABLET = Device("tablet-a", "Tablet A", "bedside", None)


@pytest.fixture
def store(tmp_path):
    opened = open_unit_store(tmp_path / "unit", new_generation="generation-1")
    yield opened
    opened.close()


def _filled(store, count=3):
    writer = Writer("tablet-a")
    operations = [writer.write(f"puncture/p-{number}") for number in range(count)]
    receive_push(store, TABLET, texts(*operations), now_ms=1)
    return operations


def _alter(store, statement, *values):
    with store.transaction():
        store._database.connection.execute(statement, values)


def test_every_commit_goes_to_the_disk(store):
    connection = store._database.connection

    assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert connection.execute("PRAGMA synchronous").fetchone() == (2,)


def test_a_second_process_is_refused_with_a_sentence(store, tmp_path):
    """[HAZ-39]."""
    with pytest.raises(FolderInUseError, match="Use the running server, or stop it"):
        open_unit_store(tmp_path / "unit", new_generation="generation-2")


def test_the_folder_is_free_again_after_closing(store, tmp_path):
    store.close()

    again = open_unit_store(tmp_path / "unit", new_generation="generation-2")

    assert again.fact("generation") == "generation-1"
    again.close()


def test_a_folder_that_cannot_be_made_is_refused(tmp_path):
    (tmp_path / "file").write_text("in the way")

    with pytest.raises(StorageError, match="Choose another"):
        open_unit_store(tmp_path / "file" / "unit", new_generation="generation-1")


def test_a_file_that_is_no_store_is_refused_and_left_as_it_was(tmp_path):
    (tmp_path / FILE_NAME).write_bytes(b"something else " * 100)

    with pytest.raises(StorageError, match="Restore it from a backup"):
        open_unit_store(tmp_path, new_generation="generation-1")
    assert (tmp_path / FILE_NAME).read_bytes() == b"something else " * 100


def test_a_transaction_that_fails_writes_nothing(store):
    def fail_after_writing():
        with store.transaction():
            store.keep_fact("name", "x")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail_after_writing()

    assert store.fact("name") is None


def test_threads_that_push_at_once_lose_nothing(store):
    writers = [Writer(f"tablet-{number}") for number in range(6)]

    def push_all(writer):
        for number in range(20):
            one = texts(writer.write(f"puncture/p-{number}"))
            receive_push(store, Device(writer.device, "x", "bedside", None), one, now_ms=1)

    threads = [threading.Thread(target=push_all, args=(writer,)) for writer in writers]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert store.operations.count() == 120
    assert verify_log(store).findings == ()


WRITER_PROCESS = """
import sys
from pathlib import Path
from api.storage.device_store import Device
from api.storage.unit_store import open_unit_store
from api.use_cases.receive_push import receive_push
from tests.unit.api.standing_unit import Writer, texts
store = open_unit_store(Path(sys.argv[1]), new_generation="g")
writer = Writer("tablet-a", sys.argv[2])
while True:
    batch = [writer.write(f"puncture/p-{number}") for number in range(7)]
    receive_push(store, Device("tablet-a", "A", "bedside", None), texts(*batch), now_ms=1)
    print(batch[-1].counter, flush=True)
"""


def test_what_was_acknowledged_survives_a_kill(tmp_path):
    """[REL-01] The planted bug it has caught: a commit after the acknowledgement."""
    for round_ in range(5):
        epoch = f"ep0{round_}"
        process = subprocess.Popen(
            [sys.executable, "-c", WRITER_PROCESS, str(tmp_path / "unit"), epoch],
            stdout=subprocess.PIPE,
            text=True,
            cwd=ROOT,
        )
        acknowledged = 0
        assert process.stdout is not None
        for _ in range(3 + 5 * round_):
            acknowledged = int(process.stdout.readline())
        os.kill(process.pid, signal.SIGKILL)
        rest = process.stdout.read().split()
        process.wait()
        acknowledged = int(rest[-1]) if rest else acknowledged

        store = open_unit_store(tmp_path / "unit", new_generation="g")
        tip = store.operations.tip_of("tablet-a", epoch)
        findings = verify_log(store).findings
        store.close()

        assert tip.counter >= acknowledged > 0
        # A batch is in as a whole or not at all.
        assert tip.counter % 7 == 0
        assert findings == ()


def test_a_sound_store_verifies(store):
    _filled(store)

    verification = verify_log(store)

    assert (verification.operations, verification.logs) == (3, 1)
    assert verification.findings == ()


@pytest.mark.parametrize(
    ("statement", "values", "part"),
    [
        ("UPDATE log_entry SET place = 0 WHERE counter = 2", (), "tablet-a.ep01.2"),
        ("UPDATE log_entry SET record = 3 WHERE counter = 2", (), "tablet-a.ep01.2"),
        ("UPDATE log_entry SET record = 99 WHERE counter = 2", (), "ep01.2"),
        ("UPDATE log_entry SET stamp = stamp + 1 WHERE counter = 2", (), "ep01.2"),
        ("UPDATE log_entry SET stamp = 'noon' WHERE counter = 2", (), "ep01.2"),
        ("UPDATE log_entry SET hash = ? WHERE counter = 2", (b"\1" * 32,), "ep01.2"),
        ("UPDATE log_entry SET bodies = 99 WHERE counter = 2", (), "ep01.2"),
        ("UPDATE log_entry SET place = 9 WHERE counter = 2", (), "ep01.2"),
        ("UPDATE log_entry SET bodies = NULL WHERE counter = 2", (), "ep01.2"),
        ("UPDATE log_entry SET log = 99 WHERE counter = 3", (), "lost"),
        ("UPDATE bodies SET content = substr(content, 1, 40)", (), "ep01.1"),
        ("UPDATE record SET name = 'puncture/p-9' WHERE id = 2", (), "tablet-a.ep01.2"),
        ("UPDATE stream SET name = 'booking'", (), "tablet-a.ep01.1"),
        ("UPDATE log SET device = 'tablet-z'", (), "tablet-z.ep01.1"),
        ("DELETE FROM log", (), "lost"),
        ("DELETE FROM log_entry WHERE counter = 2", (), "tablet-a.ep01.3"),
        ("DELETE FROM log_entry WHERE counter = 1", (), "tablet-a.ep01.2"),
        ("UPDATE record_state SET has_conflict = 1 WHERE record = 2", (), "puncture/p-1"),
        ("UPDATE record_state SET parent = 99 WHERE record = 2", (), "puncture/p-1"),
        ("UPDATE record_state SET rests_on = x'01020304' WHERE record = 2", (), "puncture/p-1"),
        ("DELETE FROM record_state WHERE record = 2", (), "puncture/p-1"),
        ("INSERT INTO record_state VALUES (99, NULL, 1, 0, x'')", (), "view of ?"),
    ],
)
def test_whatever_is_altered_in_the_store_is_found(store, statement, values, part):
    """[OP3] [OP5] [LG1] The planted bugs it has caught: an inner join, by which an entry whose log
    is lost was no entry; a parent that nothing is called passed for none.
    """
    _filled(store)
    _alter(store, statement, *values)

    findings = verify_log(store).findings

    assert findings
    assert part in findings[0]


def test_a_parent_with_a_letter_that_ends_texts_elsewhere_is_entered_once(store):
    """[EX6] [OP4] The planted bug it has caught: names looked up in one JSON text, which SQLite
    before 3.45 ends at U+0000; the name was entered again and its record refused for ever.
    """
    odd = {"case": "case/a\0b", "stop_um": 1}
    a, b = Writer("tablet-a"), Writer("tablet-b")
    other = Device("tablet-b", "Tablet B", "bedside", None)
    receive_push(store, TABLET, texts(a.write("puncture/p-1", set=odd)), now_ms=1)
    receive_push(store, TABLET, texts(a.write("puncture/p-2", set=odd)), now_ms=1)
    receive_push(store, other, texts(b.write("puncture/p-1", set={"stop_um": 2})), now_ms=1)

    assert rebuild_views(store) == 2
    names = store._database.connection.execute("SELECT name FROM record ORDER BY name").fetchall()
    assert names == [("case/a\0b",), ("puncture/p-1",), ("puncture/p-2",)]
    assert verify_log(store).findings == ()


@pytest.mark.parametrize("count", [NAMES_AT_ONCE - 1, NAMES_AT_ONCE, NAMES_AT_ONCE + 1])
def test_any_number_of_records_is_found_again(store, count):
    """The planted bug it has caught: the names after the first part left out."""
    names = [f"puncture/p-{number}" for number in range(count)]
    with store.transaction():
        handles = Handles(store._database.connection)
        entered = handles.enter_records(names)

        assert handles.find_records([*names, "puncture/unknown"]) == entered.by_name
    assert len(entered.by_name) == count


def test_views_are_rebuilt_from_the_log(store):
    _filled(store)
    _alter(store, "DELETE FROM record_state WHERE record = 2")
    _alter(store, "UPDATE record_state SET rests_on = x'' WHERE record = 3")

    assert rebuild_views(store) == 3
    assert verify_log(store).findings == ()


def test_a_view_names_the_parent_that_the_catalogue_gives(store):
    writer = Writer("tablet-a")
    one = writer.write("puncture/p-1", set={"case": "case/c-1", "stop_um": 1})
    receive_push(store, TABLET, texts(one), now_ms=1)

    row = store._database.connection.execute(
        "SELECT kind, parent, stream, has_conflict FROM record_view"
    ).fetchone()

    assert row == ("puncture", "case/c-1", "care", 0)


@pytest.mark.parametrize(
    "told",
    [
        {"set": {}, "retract": ("tablet-b.ep01.9#0123456789abcdef",)},
        {"set": {"stop_um": 1}, "again": "tablet-a.ep00.9#0123456789abcdef"},
        {"set": {"stop_um": 1}, "over": {"stop_um": ("tablet-b.ep01.9#0123456789abcdef",)}},
        {"set": {"stop_um": 1, "case": "case/c-1"}},
        {"set": {"stop_um": 1, "case": 5}},
    ],
)
def test_the_view_of_a_record_written_once_is_what_a_merge_would_make_of_it(store, told):
    """[MG9] [MG10] [MG11] The planted bugs it has caught in `_row_of_one`: retractions and
    re-issues not left to the merge; a parent that is no text.
    """
    body = Body(salt="0" * 32, by="staff/s-1", tapped_by="staff/s-1", catalogue=1, **told)
    one = make_operation(
        device="tablet-a",
        epoch="ep01",
        counter=1,
        previous="",
        stream="care",
        record="puncture/p-1",
        stamp=str(Stamp(1_000, 0, "tablet-a")),
        body=body,
    )

    receive_push(store, TABLET, texts(one), now_ms=1)

    assert verify_log(store).findings == ()


def test_a_backup_taken_under_writes_is_sound_and_restores(store, tmp_path):
    operations = _filled(store)
    write_backup(store, tmp_path / "backup")
    later = Writer("tablet-b").write()
    receive_push(store, Device("tablet-b", "B", "bedside", None), texts(later), now_ms=2)
    store.close()

    aside = restore_unit(
        tmp_path / "backup", tmp_path / "unit", new_generation="generation-2", now_ms=7
    )

    restored = open_unit_store(tmp_path / "unit", new_generation="generation-3")
    assert restored.operations.tip_of("tablet-a", "ep01").hash == operations[-1].hash
    assert restored.operations.tip_of("tablet-b", "ep01").counter == 0
    assert restored.fact("generation") == "generation-2"
    assert verify_log(restored).findings == ()
    restored.close()
    assert aside is not None
    with sqlite3.connect(aside) as former:
        assert former.execute("SELECT count(*) FROM operation").fetchone() == (4,)


def test_a_restored_unit_is_sent_again_what_it_lacks(store, tmp_path):
    """[EX3]."""
    writer = Writer("tablet-a")
    first = writer.write()
    receive_push(store, TABLET, texts(first), now_ms=1)
    write_backup(store, tmp_path / "backup")
    second = writer.write("puncture/p-2")
    receive_push(store, TABLET, texts(second), now_ms=2)
    store.close()
    restore_unit(tmp_path / "backup", tmp_path / "unit", new_generation="g-2", now_ms=7)
    restored = open_unit_store(tmp_path / "unit", new_generation="g-3")

    answer = receive_push(restored, TABLET, texts(second), now_ms=3)

    assert answer.tip.hash == second.hash
    assert answer.quarantined == ()
    restored.close()


def test_a_backup_overwrites_nothing(store, tmp_path):
    (tmp_path / "backup").write_text("precious")

    with pytest.raises(StorageError, match="Choose a new name"):
        write_backup(store, tmp_path / "backup")
    assert (tmp_path / "backup").read_text() == "precious"


@pytest.mark.parametrize("content", [None, b"no database", b""])
def test_what_is_no_backup_is_not_put_in_place(store, tmp_path, content):
    _filled(store)
    store.close()
    if content is not None:
        (tmp_path / "backup").write_bytes(content)

    with pytest.raises(StorageError, match="backup"):
        restore_unit(tmp_path / "backup", tmp_path / "unit", new_generation="g-2", now_ms=7)
    again = open_unit_store(tmp_path / "unit", new_generation="g-3")
    assert again.operations.count() == 3
    again.close()


def test_a_running_unit_is_not_restored_over(store, tmp_path):
    _filled(store)
    write_backup(store, tmp_path / "backup")

    with pytest.raises(FolderInUseError):
        restore_unit(tmp_path / "backup", tmp_path / "unit", new_generation="g-2", now_ms=7)
    assert store.operations.count() == 3


def _add(store, name, role, drawn):
    chance = Chance(
        new_id=f"person{drawn}", new_epoch=f"epoch{drawn}", salt=f"{drawn:032x}", now_ms=1_000
    )
    return add_staff(store, name, role, chance=chance)


def test_staff_is_added_by_the_servers_own_log(store):
    _add(store, "Juno Marrowby", "assistant", 1)
    _add(store, "Dr Wren Quillfeather", "endoscopist", 2)

    assert store.operations.tip_of(SERVER_DEVICE, "epoch1").counter == 2
    names = [state.fields["name"].values[-1].value for state in store.views.of_kind("staff")]
    assert names == ["Juno Marrowby", "Dr Wren Quillfeather"]
    assert verify_log(store).findings == ()


def test_a_restored_server_begins_a_new_log_of_its_own(store, tmp_path):
    """[EX4]."""
    _add(store, "Juno Marrowby", "assistant", 1)
    write_backup(store, tmp_path / "backup")
    store.close()
    restore_unit(tmp_path / "backup", tmp_path / "unit", new_generation="g-2", now_ms=7)
    restored = open_unit_store(tmp_path / "unit", new_generation="g-3")

    _add(restored, "Tam Eddlestone", "assistant", 2)

    assert restored.operations.logs() == [(SERVER_DEVICE, "epoch1"), (SERVER_DEVICE, "epoch2")]
    restored.close()


@pytest.mark.parametrize(
    ("name", "role"), [("Juno", "boss"), (" ", "assistant"), ("x" * 81, "booking")]
)
def test_staff_without_name_or_known_role_is_refused(store, name, role):
    with pytest.raises(NotAllowedError):
        _add(store, name, role, 1)
    assert store.operations.count() == 0
