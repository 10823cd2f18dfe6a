"""The hub's tables are the unit's: the same names, columns, types, keys and indices."""

from pathlib import Path

import pytest

from api.storage.hub_store import open_hub_store
from api.storage.unit_store import open_unit_store
from api.storage.year_tables import UNITS_APART, lowest_handle, month_of

VERSIONS = Path(__file__).resolve().parents[2] / "api/storage"
_TYPES = {
    "TEXT": "text",
    "ANY": "text",
    "INTEGER": "bigint",
    "BLOB": "bytea",
    "REAL": "double precision",
}
# In SQLite every table has it unsaid.
_ARRIVAL = "rowid"
# The hub's log is found by receipt, whose number is the key of the unit's own table.
_HUB_ALONE = {"log_entry_by_receipt", "quarantine_by_id"}
NOW_MS = 1_795_000_000_000


@pytest.fixture
def unit(tmp_path):
    """The connection of a fresh unit's store."""
    store = open_unit_store(tmp_path / "unit", new_generation="generation-1")
    yield store._database.connection
    store.close()


@pytest.fixture
def hub(tmp_path, database):
    """The connection of a fresh hub's store."""
    store = open_hub_store(database, tmp_path / "hub", new_generation="generation-1")
    yield store._database.connection
    store.close()


def _of_unit(connection):
    found = {}
    for name, kind in connection.execute(
        "SELECT name, type FROM sqlite_master WHERE type IN ('table', 'view')"
        " AND name NOT LIKE 'sqlite_%'"
    ).fetchall():
        found[name] = [
            (column, _TYPES.get(type_), bool(not_null or key) if kind == "table" else None)
            for _, column, type_, not_null, _, key in connection.execute(
                f"PRAGMA table_info({name})"
            )
        ]
    return found


def _of_hub(connection):
    found = {}
    for name, kind, column, type_, not_null in connection.execute(
        "SELECT relname, relkind, attname, format_type(atttypid, NULL), attnotnull"
        " FROM pg_class JOIN pg_attribute ON attrelid = pg_class.oid"
        " WHERE relnamespace = current_schema()::regnamespace AND relkind IN ('r', 'p', 'v')"
        " AND NOT relispartition AND attnum > 0 AND NOT attisdropped ORDER BY relname, attnum"
    ):
        if column != _ARRIVAL:
            found.setdefault(name, []).append(
                (column, type_, bool(not_null) if kind != "v" else None)
            )
    return found


def test_tables_and_columns_are_the_same(unit, hub):
    """The planted bug it has caught: a column of the thirteenth schema left out of the hub's."""
    ours, theirs = _of_unit(unit), _of_hub(hub)
    for tables in (ours, theirs):
        # Alembic's own.
        tables.pop("alembic_version")
    names = {name: [column for column, _, _ in columns] for name, columns in ours.items()}

    assert names == {name: [column for column, _, _ in held] for name, held in theirs.items()}
    assert len(names) >= 30
    for name, columns in ours.items():
        # A view of SQLite says nothing certain of its columns' types.
        if columns[0][2] is not None:
            assert theirs[name] == columns, name


def test_keys_are_the_same(unit, hub):
    """[OP4] The planted bug it has caught: a table without its key, where nothing is kept once."""
    for name in _of_unit(unit):
        keys = sorted(
            (row[5], row[1]) for row in unit.execute(f"PRAGMA table_info({name})") if row[5]
        )
        held = hub.execute(
            "SELECT attname FROM pg_index JOIN pg_attribute ON attrelid = indrelid"
            " AND attnum = ANY (indkey) WHERE indisprimary AND indrelid = to_regclass(?)"
            " ORDER BY array_position(indkey::int2[], attnum)",
            (name,),
        ).fetchall()
        if name != "log_entry":
            assert [column for _, column in keys] == [column for (column,) in held], name


def test_indices_are_the_same(unit, hub):
    """The planted bug it has caught: a translated migration that left its indices out."""
    ours = {
        row[0]
        for row in unit.execute(
            "SELECT name FROM sqlite_master WHERE type = 'index' AND sql IS NOT NULL"
        )
    }
    theirs = {
        row[0]
        for row in hub.execute(
            "SELECT relname FROM pg_class JOIN pg_index ON indexrelid = pg_class.oid"
            " JOIN pg_namespace ON pg_namespace.oid = relnamespace"
            " WHERE nspname = current_schema() AND NOT relispartition"
            " AND NOT EXISTS (SELECT 1 FROM pg_constraint WHERE conindid = pg_class.oid)"
        )
    }

    assert ours <= theirs
    assert theirs - ours == _HUB_ALONE


def test_every_text_is_compared_by_its_bytes(hub):
    """[EX7] As SQLite does: a range of names holds the same names. Whatever the database's own."""
    other = hub.execute(
        "SELECT relname, attname FROM pg_class JOIN pg_attribute ON attrelid = pg_class.oid"
        " JOIN pg_collation ON pg_collation.oid = attcollation"
        " WHERE relnamespace = current_schema()::regnamespace AND relkind IN ('r', 'p')"
        " AND relname <> 'alembic_version' AND collname <> 'C'"
    ).fetchall()

    assert other == []


def test_both_have_the_same_last_migration():
    """A migration of the unit's store without one of the hub's stops here."""
    numbers = [
        max(path.name[:4] for path in (VERSIONS / folder / "versions").glob("[0-9]*.py"))
        for folder in ("migrations", "migrations_hub")
    ]

    assert numbers[0] == numbers[1]


def test_each_year_has_tables_of_its_own_and_a_record_stays_in_its_year(hub):
    """[LG1] The planted bug it has caught: handles that go on from the year before."""
    december, january = NOW_MS + 30 * 86_400_000, NOW_MS + 60 * 86_400_000
    assert month_of(january) == month_of(december) + 1

    assert hub.open_handles(december) == lowest_handle(month_of(december))
    assert hub.open_handles(january) == lowest_handle(month_of(january))
    # A second time nothing is made.
    assert hub.open_handles(december) == lowest_handle(month_of(december))
    tables = [
        row[0]
        for row in hub.execute(
            "SELECT relname FROM pg_class WHERE relispartition AND relkind = 'r'"
            " AND relname LIKE 'log_entry_20%' ORDER BY relname"
        )
    ]
    years = ("log_entry_2026", "log_entry_2027")
    assert tables == [f"{year}_{part}" for year in years for part in range(UNITS_APART)]
    lowest = lowest_handle(month_of(january))
    for record, year in ((lowest - 1, years[0]), (lowest, years[1])):
        hub.execute(
            "INSERT INTO log_entry (log, counter, stream, record, stamp, hash, received_ms,"
            " is_quarantined) VALUES (1, ?, 1, ?, '1', ?, 0, 0)",
            (record % 7 + 1, record, b""),
        )
        row = hub.execute(
            "SELECT tableoid::regclass::text FROM log_entry WHERE record = ?", (record,)
        ).fetchone()
        assert row[0].startswith(f"{year}_")
