"""The schema is the one in the snapshot, and migrations are whole or not at all."""

import json
import os
import sqlite3
from pathlib import Path

import pytest

from api.storage.connection import FILE_NAME
from api.storage.errors import StorageError
from api.storage.unit_store import open_unit_store
from api.use_cases.check_plans import check_waiting_plans
from api.use_cases.verify_log import verify_log

ROOT = Path(__file__).resolve().parents[2]
# A store as each released schema wrote it: five operations, one of them set aside, and a device.
# A release with a new schema adds its own; the last number here is the last released one.
STORES = [ROOT / f"tests/migrations/store_of_{number}.sql" for number in ("0001", "0002")]
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


@pytest.mark.parametrize(
    ("dump", "waiting"),
    [(STORES[0], ["case/c-1", "case/c-2"]), (STORES[1], ["case/c-2"])],
    ids=["0001", "0002"],
)
def test_a_store_of_every_release_keeps_every_row_and_its_plans_wait_for_the_second_check(
    tmp_path, dump, waiting
):
    """[REL-11] The planted bug it has caught: the second migration without its INSERT."""
    with sqlite3.connect(tmp_path / FILE_NAME) as connection:
        connection.executescript(dump.read_text())
    connection.close()
    before = _rows(tmp_path)
    assert all(before.values())

    store = open_unit_store(tmp_path, new_generation="generation-2")

    assert store.schema().keys() == json.loads(SNAPSHOT.read_text()).keys()
    assert verify_log(store).findings == ()
    with store.transaction():
        assert store.plan_checks.waiting() == waiting
    check_waiting_plans(store)
    with store.transaction():
        checks, still_waiting = store.plan_checks.found(["care"])
    store.close()
    assert [(one.record, one.verdict) for one in checks] == [("case/c-1", "agrees")]
    assert still_waiting == 0
    assert _rows(tmp_path) == before


def _rows(folder):
    """Return every row of the tables that the first release filled."""
    with sqlite3.connect(folder / FILE_NAME) as connection:
        rows = {
            table: connection.execute(f"SELECT * FROM {table}").fetchall()  # noqa: S608
            for table in ("operation", "quarantine", "device", "fact")
        }
        # Its last column is what a release keeps to check the view by, made anew from the log.
        rows["record_view"] = connection.execute(
            "SELECT record, kind, parent, stream, has_conflict FROM record_view"
        ).fetchall()
    connection.close()
    return rows
