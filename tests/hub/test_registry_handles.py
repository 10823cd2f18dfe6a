"""Rows of the registry are found by handles, in the order in which they came, on both databases.

Their names are drawn (RG1): an index over them would be written and read all over, and cost more
the larger the hub grows.
"""

import random
import sqlite3
from importlib import import_module

import psycopg
import pytest

from api.linkage.encoded_traits import EncodedPerson
from api.storage.connection import FILE_NAME
from api.storage.hub_store import open_hub_store
from api.storage.link_rows import LinkRow
from api.storage.migrations_hub.same_shapes import shapes_of
from api.storage.read_views import BY_HANDLE
from api.storage.unit_store import open_unit_store
from api.use_cases.server_role import settle_role
from tests.unit.api.random_registry import Writers, invent_registry

DRAWN = {"record", "patient", "of_case"}
EPISODES = "registry_episode"


def fill(store, cases=60):
    """Take in cases whose parts come in any order; return what was told."""
    settle_role(store, as_hub=True)
    records = invent_registry(random.Random(8), cases=cases)
    random.Random(9).shuffle(records)
    writers = Writers(store)
    for start in range(0, len(records), 50):
        writers.write(records[start : start + 50])
    return records


def counted(store):
    with store.reading():
        rows = store._database.connection.execute(
            "SELECT unit, treated_on, verdicts, record, patient FROM registry_episode ORDER BY 4"
        )
        return [tuple(row) for row in rows.fetchall()]


@pytest.fixture(params=["file", "postgres"])
def opening(request, tmp_path):
    """Open a store, as often as asked."""
    if request.param == "file":
        return lambda: open_unit_store(tmp_path / "hub", new_generation="g-1")
    url = request.getfixturevalue("database")
    return lambda: open_hub_store(url, tmp_path / "hub", new_generation="g-1")


def test_no_index_of_the_registry_begins_with_a_drawn_name(tmp_path):
    """The planted bug it has caught: the key of `registry_part_row` as it was, its record."""
    store = open_unit_store(tmp_path / "hub", new_generation="g-1")
    connection = store._database.connection
    leading = {
        (table, connection.execute(f"PRAGMA index_info({index[1]})").fetchone()[2])
        for table in (*BY_HANDLE, EPISODES)
        for index in connection.execute(f"PRAGMA index_list({table})").fetchall()
    }

    assert len(leading) >= 7
    assert {column for _, column in leading}.isdisjoint(DRAWN)
    store.close()


@pytest.mark.parametrize(
    ("table", "column"),
    [
        ("registry_patient_row", "handle"),
        ("registry_case_row", "handle"),
        ("registry_case_row", "patient_handle"),
        ("registry_part_row", "case_handle"),
        ("registry_implant_row", "handle"),
        (EPISODES, "patient_handle"),
    ],
)
def test_a_handle_that_means_another_name_is_found(opening, table, column):
    """[REL-10] As by `crura verify`; a rebuild mends it.

    Planted and caught, each: the handles were left out of what is compared; of two only the first.
    """
    store = opening()
    fill(store)
    with store.transaction():
        assert store.views.differing() == []
        connection = store._database.connection
        (record,) = connection.execute(
            f"SELECT min(record) FROM {table}"  # noqa: S608
        ).fetchone()
        connection.execute(
            f"UPDATE {table} SET {column} = (SELECT max(id) FROM record) + 1"  # noqa: S608
            " WHERE record = ?",
            (record,),
        )
        assert record in store.views.differing()
        store.views.rebuild()
        assert store.views.differing() == []
    store.close()


def _put_back_file(tmp_path, views_version):
    shapes = import_module("api.storage.migrations.versions.0015_keep_outcome_rows").STATEMENTS
    with sqlite3.connect(tmp_path / "hub" / FILE_NAME) as connection:
        for statement in _statements(shapes):
            connection.execute(statement)
        connection.execute(f"PRAGMA user_version = {views_version}")
    connection.close()


def _put_back_database(url, views_version):
    with psycopg.connect(url, autocommit=True) as connection:
        for statement in _statements(shapes_of("0015")):
            connection.execute(statement)
        connection.execute(
            "UPDATE fact SET content = %s WHERE name = 'views made by'", (str(views_version),)
        )


def _statements(shapes):
    yield from (f"DROP TABLE {table}" for table in (*BY_HANDLE, EPISODES))
    yield from (one for one in shapes if "outcome_limit" not in one)
    # What came since is taken back as well, or it could not come again.
    yield "DROP TABLE link_joined"
    yield "DROP INDEX patient_link_of_two_years"
    yield "ALTER TABLE patient_link DROP COLUMN years_differ"
    yield "DROP TABLE standing_completeness"
    yield "ALTER TABLE device_standing DROP COLUMN protocol"
    yield "DROP INDEX implant_without_identifier"
    yield "CREATE INDEX implant_without_lot ON implant (on_day) WHERE lot_form IS NULL"
    yield from (f"DROP INDEX access_event_by_{one}" for one in ("time", "noting"))
    yield "ALTER TABLE invitation DROP COLUMN name"
    yield "ALTER TABLE device DROP COLUMN recovery_refused_ms"
    yield "UPDATE alembic_version SET version_num = '0019'"


@pytest.fixture
def put_back(request, tmp_path):
    """Bring the closed store to the schema of an earlier release."""

    def put(version):
        earlier = version // 1_000 * 1_000 + 6
        if "file" in request.node.name:
            _put_back_file(tmp_path, earlier)
        else:
            _put_back_database(request.getfixturevalue("database"), earlier)

    return put


def test_rows_by_name_of_an_earlier_release_are_made_anew(opening, put_back):
    """[REL-11] The planted bug it has caught: the number of the views stayed as it was."""
    store = opening()
    fill(store)
    told, version = counted(store), store._database.connection.views_version()
    store.close()
    assert len(told) > 30
    put_back(version)

    store = opening()

    assert counted(store) == told
    with store.transaction():
        assert store.views.differing() == []
    store.close()


def test_joins_of_an_earlier_release_are_counted(opening, put_back):
    """[HAZ-42] [REL-11] Who is joined twice, or to a year that differs or that nobody knows.

    The planted bug it has caught: of what stood joined before the upgrade nothing was doubtful.
    """
    store = opening()
    with store.transaction():
        years = {"a": "1957", "b": "1957", "c": "1957", "d": "1957", "e": "1957", "f": "1961"}
        for name, year in {**years, "g": "", "h": "1957"}.items():
            person = EncodedPerson(id=name, birth_year=year, keys=("k",))
            store.links.keep_person("unit/one", person)
        stands = ("joined", "parting", "joined", "joined", "apart", "proposed", "joined")
        for (one, other), standing in zip(
            ("ab", "bc", "de", "ef", "df", "dg", "gh"), stands, strict=True
        ):
            differ = {one, other} & {"f", "g"} != set()
            row = LinkRow(one + other, one, other, standing, 900, years_differ=differ)
            store.links.keep_link(row)
        told, rows = store.links.doubtful_patients(), store.links.links_of("abcdefgh")
        version = store._database.connection.views_version()
    store.close()
    assert told == ["b", "e", "g"]
    put_back(version)

    store = opening()

    with store.transaction():
        assert store.links.doubtful_patients() == told
        assert store.links.links_of("abcdefgh") == rows
        for row in rows:
            store.links.forget_link(row.link)
        assert store.links.doubtful_patients() == []
    store.close()
