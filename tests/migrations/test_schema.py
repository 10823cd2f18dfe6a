"""The schema is the one in the snapshot, and migrations are whole or not at all."""

import gc
import json
import os
import resource
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from alembic.config import Config
from alembic.script import ScriptDirectory

from api.storage.connection import FILE_NAME
from api.storage.entry_rows import read_entries
from api.storage.errors import StorageError
from api.storage.newest_schema import is_newest, newest_revision
from api.storage.unit_store import open_unit_store
from api.use_cases.check_plans import check_waiting_plans
from api.use_cases.verify_log import verify_log

ROOT = Path(__file__).resolve().parents[2]
# A store as each released schema wrote it: five operations, one of them set aside, and a device.
# A release with a new schema adds its own; the last number here is the last released one.
STORES = [ROOT / f"tests/migrations/store_of_{number}.sql" for number in ("0001", "0002", "0006")]
SNAPSHOT = ROOT / "api/storage/schema_snapshot.json"
VERSIONS = ROOT / "api/storage/migrations/versions"


@pytest.fixture
def store(tmp_path):
    opened = open_unit_store(tmp_path, new_generation="generation-1")
    yield opened
    opened.close()


def _squeezed(schema):
    return {name: " ".join(sql.split()) for name, sql in schema.items()}


def test_the_schema_is_that_of_the_snapshot(store):
    """A wanted change rewrites the snapshot: run with CRURA_WRITE_SNAPSHOT=1, review the diff."""
    schema = _squeezed(store.schema())
    if os.environ.get("CRURA_WRITE_SNAPSHOT"):
        SNAPSHOT.write_text(json.dumps(schema, indent=1) + "\n")

    assert schema == json.loads(SNAPSHOT.read_text())


def test_every_table_of_ours_is_strict(store):
    tables = {
        name: sql
        for name, sql in store.schema().items()
        if sql.lstrip().startswith("CREATE TABLE") and name != "alembic_version"
    }

    assert len(tables) >= 19
    for name, sql in tables.items():
        assert sql.rstrip().endswith("STRICT"), name


def test_migrations_are_numbered_without_gaps():
    numbers = sorted(int(path.name[:4]) for path in VERSIONS.glob("[0-9]*.py"))

    assert numbers == list(range(1, len(numbers) + 1))


def test_the_newest_by_name_is_the_last_step_of_the_line():
    """[REL-11] Else a store would be opened that wants a step more."""
    config = Config()
    config.set_main_option("script_location", str(VERSIONS.parent))

    assert ScriptDirectory.from_config(config).get_heads() == [newest_revision()]


def test_a_store_with_the_newest_schema_is_opened_without_the_tools_of_migration(store, tmp_path):
    """Half of what a command loads. Planted and caught: every opening loaded them."""
    store.close()
    opening = (
        "import sys, pathlib; from api.storage.unit_store import open_unit_store;"
        "open_unit_store(pathlib.Path(sys.argv[1]), new_generation='g').close();"
        "print('sqlalchemy' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", opening, str(tmp_path)],
        capture_output=True,
        text=True,
        check=True,
        cwd=ROOT,
    )

    assert done.stdout.strip() == "False"
    assert is_newest(tmp_path / FILE_NAME)


def test_what_does_not_say_that_it_is_newest_is_not(tmp_path):
    """[REL-11] Then the tools of migration say what it is."""
    path = tmp_path / FILE_NAME
    assert not is_newest(path)
    assert not path.exists()
    path.write_bytes(b"no store")
    assert not is_newest(path)
    path.unlink()
    for revision in ("0001", newest_revision()):
        with closing(sqlite3.connect(path)) as connection, connection:
            connection.execute("CREATE TABLE IF NOT EXISTS alembic_version (version_num TEXT)")
            connection.execute("INSERT INTO alembic_version VALUES (?)", (revision,))
        assert not is_newest(path)


def test_a_store_that_is_new_already_is_opened_as_it_is(store, tmp_path):
    before = store.schema()
    store.close()

    again = open_unit_store(tmp_path, new_generation="generation-2")

    assert again.schema() == before
    again.close()


def test_a_store_of_a_newer_release_is_refused_and_left_as_it_was(store, tmp_path):
    store.close()
    with sqlite3.connect(tmp_path / FILE_NAME) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    connection.close()

    with pytest.raises(StorageError, match="newer crura"):
        open_unit_store(tmp_path, new_generation="generation-2")
    with sqlite3.connect(tmp_path / FILE_NAME) as connection:
        assert connection.execute("SELECT version_num FROM alembic_version").fetchone() == ("9999",)
    connection.close()


def test_a_migration_cut_off_in_the_middle_leaves_nothing_half_done(tmp_path):
    """The planted bug it has caught: the driver's own transactions, which begin none for DDL."""
    with sqlite3.connect(tmp_path / FILE_NAME) as connection:
        # The third table of the first migration is in the way.
        connection.execute("CREATE TABLE record_view (x)")
    connection.close()

    with pytest.raises(StorageError, match="record_view"):
        open_unit_store(tmp_path, new_generation="generation-1")
    with sqlite3.connect(tmp_path / FILE_NAME) as connection:
        names = [row[0] for row in connection.execute("SELECT name FROM sqlite_master")]
    connection.close()
    assert names == ["record_view"]


@contextmanager
def _no_file_longer_than(size):
    """Let the system refuse each write past so many bytes, as a full disk does."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
        signal.signal(signal.SIGXFSZ, handler)


@pytest.mark.parametrize("room", [20_000, 200_000, 1_000_000])
def test_a_disk_that_is_full_during_an_upgrade_is_told_in_a_sentence(tmp_path, room):
    """[REL-11] The planted bug it has caught: errors of SQLite that a migration which moves rows
    by itself lets through, shown as a traceback (so it was before this test).
    """
    with sqlite3.connect(tmp_path / FILE_NAME) as connection:
        connection.executescript(STORES[2].read_text())
        first = connection.execute("SELECT * FROM operation WHERE counter = 1").fetchone()
        names = [row[1] for row in connection.execute("PRAGMA table_info(operation)")]
        rows = [
            {
                **dict(zip(names, first, strict=True)),
                "seq": 1_000 + number,
                "epoch": "ep99",
                "counter": number,
                "body": os.urandom(700).hex(),
            }
            for number in range(1, 3_001)
        ]
        marks = ", ".join(f":{name}" for name in names)
        connection.executemany(f"INSERT INTO operation VALUES ({marks})", rows)  # noqa: S608
    connection.close()
    before = _dump(tmp_path)

    with _no_file_longer_than(room):
        sentence = _refusal(tmp_path)
    # A command ends here, and with it what its traceback holds: the migration, and so the file.
    gc.collect()

    assert "nothing of this was kept" in sentence
    assert "\n" not in sentence
    assert _dump(tmp_path) == before
    store = open_unit_store(tmp_path, new_generation="generation-2")
    assert store.operations.count() > 3_000
    store.close()


def _refusal(folder):
    """Return the sentence with which a store is not opened."""
    try:
        open_unit_store(folder, new_generation="generation-2")
    except StorageError as error:
        return str(error)
    raise AssertionError("the store was opened")


def _dump(folder):
    with sqlite3.connect(folder / FILE_NAME) as connection:
        lines = list(connection.iterdump())
    connection.close()
    return lines


@pytest.mark.parametrize(
    ("dump", "waiting"),
    [
        (STORES[0], ["case/c-1", "case/c-2"]),
        (STORES[1], ["case/c-2"]),
        (STORES[2], ["case/c-3"]),
    ],
    ids=["0001", "0002", "0006"],
)
def test_a_store_of_every_release_keeps_every_row_and_its_plans_wait_for_the_second_check(
    tmp_path, dump, waiting
):
    """[REL-11] [OP3] [OP4] The planted bugs it has caught: the second migration without its
    INSERT; the seventh with stamps that were numbers even where they did not fit.
    """
    with sqlite3.connect(tmp_path / FILE_NAME) as connection:
        connection.executescript(dump.read_text())
    connection.close()
    before = _rows(tmp_path, _OLD_ENTRIES)
    assert all(before.values())

    store = open_unit_store(tmp_path, new_generation="generation-2")

    assert store.schema().keys() == json.loads(SNAPSHOT.read_text()).keys()
    assert verify_log(store).findings == ()
    with store.transaction():
        assert store.plan_checks.waiting() == waiting
    check_waiting_plans(store)
    with store.transaction():
        checks, still_waiting = store.plan_checks.found(["care"])
        entries = [
            (
                *(entry.seq, one.device, one.epoch, one.counter, one.stream, one.record, one.stamp),
                *(one.previous, one.commitment, one.hash, one.body_text, entry.is_set_aside),
            )
            for entry in read_entries(store._database.connection, "ORDER BY seq")
            for one in (entry.operation,)
        ]
    store.close()
    assert [(one.record, one.verdict) for one in checks] == [("case/c-1", "agrees")]
    assert still_waiting == 0
    assert entries == before.pop("entries")
    after = _rows(tmp_path, "SELECT seq FROM operation")
    after.pop("entries")
    assert after == before


# What the first schema keeps of a device; a later one adds columns of its own.
_COLUMNS = {
    "device": "id, name, role, token_sha256, joined_ms, last_seen_ms, clock_offset_ms, revoked_ms"
}
# Every operation with its texts, as the first six schemas keep it.
_OLD_ENTRIES = (
    "SELECT seq, device, epoch, counter, stream, record, stamp, lower(hex(previous)),"
    " lower(hex(commitment)), lower(hex(hash)), body, is_quarantined FROM operation ORDER BY seq"
)


def _rows(folder, entries):
    """Return every row of the tables that the first release filled."""
    with sqlite3.connect(folder / FILE_NAME) as connection:
        rows = {
            table: connection.execute(f"SELECT {_COLUMNS.get(table, '*')} FROM {table}").fetchall()  # noqa: S608
            for table in ("quarantine", "device", "fact")
        }
        rows["entries"] = connection.execute(entries).fetchall()
        rows["received"] = connection.execute(
            "SELECT seq, received_ms FROM operation ORDER BY seq"
        ).fetchall()
        # Its last column is what a release keeps to check the view by, made anew from the log.
        rows["record_view"] = connection.execute(
            "SELECT record, kind, parent, stream, has_conflict FROM record_view ORDER BY record"
        ).fetchall()
    connection.close()
    return rows


# What the seventh schema holds; a later one adds tables of its own and touches none of these.
_OF_0007 = ("log", "stream", "record", "bodies", "log_entry", "quarantine", "device", "fact")


_DEVICES = ("tablet-a", "tablet-b")


def _tables(folder):
    with sqlite3.connect(folder / FILE_NAME) as connection:
        rows = {
            table: connection.execute(f"SELECT {_COLUMNS.get(table, '*')} FROM {table}").fetchall()  # noqa: S608
            for table in _OF_0007
        }
    connection.close()
    return rows


def test_a_store_of_the_seventh_schema_keeps_every_row_and_gains_calendar_tokens(tmp_path):
    """[REL-11] [FU-09] The planted bug it has caught: the eighth migration written on the sixth."""
    with sqlite3.connect(tmp_path / FILE_NAME) as connection:
        connection.executescript((ROOT / "tests/migrations/store_of_0007.sql").read_text())
    connection.close()
    before = _tables(tmp_path)
    assert len(before["log_entry"]) == 15

    store = open_unit_store(tmp_path, new_generation="generation-2")

    assert _squeezed(store.schema()) == json.loads(SNAPSHOT.read_text())
    assert verify_log(store).findings == ()
    with store.transaction():
        assert store.calendars.listed() == []
        assert store.plan_checks.waiting() == ["case/c-3"]
        # Whoever had joined waits for nobody now, and nobody is told to clear itself.
        for one in map(store.devices.find, _DEVICES):
            assert (one.is_waiting, one.lost_ms) == (False, None)
    store.close()
    assert _tables(tmp_path) == before
