"""How many statements a push asks of the database: a few for each push, hardly any for each entry.

Each is a way to PostgreSQL and back while nobody else may write.
"""

from itertools import islice

import pytest

from api.storage.device_store import Device
from api.storage.file_connection import FileConnection
from api.storage.hub_store import open_hub_store
from api.storage.postgres_connection import PostgresConnection
from api.storage.postgres_words import read_plain_insert
from api.storage.unit_store import open_unit_store
from api.use_cases.receive_push import receive_push
from api.use_cases.server_role import settle_role
from tests.bench.registry_workload import START_MS, UnitLog
from tests.properties.test_judged_pushes import play_pushes
from tests.unit.api.standing_unit import Writer

FEW, MANY = 100, 400
# Bodies lie in pieces of 32, names are asked for by 500: such things grow a little.
MORE_A_HUNDRED = 4
# Of one that is set aside: what lies there, its texts, and that nothing was erased.
MOST_SET_ASIDE = 3


class Counter:
    """Counts what a connection is asked; rows that are only added go with one statement."""

    def __init__(self, monkeypatch, kind):
        self.count = 0
        execute, execute_many = kind.execute, kind.executemany

        def counted(connection, sql, *values):
            self.count += 1
            return execute(connection, sql, *values)

        def counted_many(connection, sql, rows):
            rows = list(rows)
            # SQLite runs it in a loop of its own, without a way anywhere.
            is_one = kind is FileConnection or read_plain_insert(sql) is not None
            self.count += 1 if is_one else len(rows)
            return execute_many(connection, sql, rows)

        monkeypatch.setattr(kind, "execute", counted, raising=False)
        monkeypatch.setattr(kind, "executemany", counted_many, raising=False)

    def of(self, run, *given):
        before = self.count
        run(*given)
        return self.count - before


@pytest.fixture(params=["file", "postgres"])
def opened(request, tmp_path):
    """A hub's store, and what its connections are."""
    if request.param == "file":
        store, kind = open_unit_store(tmp_path / "hub", new_generation="g-1"), FileConnection
    else:
        url = request.getfixturevalue("database")
        store = open_hub_store(url, tmp_path / "hub", new_generation="g-1")
        kind = PostgresConnection
    settle_role(store, as_hub=True)
    yield store, kind
    store.close()


def push(store, operations):
    device = operations[0].device
    return receive_push(
        store, Device(device, device, "unit", None), operations, now_ms=START_MS + 1_000
    )


def test_a_push_asks_hardly_more_for_more_entries(opened, monkeypatch):
    """[RG14] Of new cases, of records that lie apart, sent again, and set aside.

    Planted and caught, each: whose a record is was asked for each entry; what records show was
    kept one by one; pieces of bodies were fetched one by one; what lies in the place of an entry
    sent again was asked one by one; a log went on over what is set aside one by one.
    """
    store, kind = opened
    cases = UnitLog("unit-a").cases(10 * MANY)
    older = Writer("unit-b")
    names = [f"registry_look/l-{number}" for number in range(2 * MANY)]
    # Each in a piece of its own.
    for name in names:
        push(store, [older.write(name, "registry", set={"flow": "no"})])
    counter = Counter(monkeypatch, kind)

    def new_cases(count):
        return list(islice(cases, count))

    def apart(count):
        some = [names.pop() for _ in range(count)]
        return [older.write(name, "registry", set={"flow": "yes"}) for name in some]

    # What is prepared or found once for good.
    push(store, new_cases(FEW))
    for make in (new_cases, apart):
        few, many = make(FEW), make(MANY)
        first = counter.of(push, store, few)
        then = counter.of(push, store, many)
        again = counter.of(push, store, many)
        assert then - first <= MORE_A_HUNDRED * (MANY - FEW) // 100, (make, first, then)
        assert again <= first
        assert then < 80

    stranger = Writer("unit-c")
    taken = [f"registry_look/l-{number}" for number in range(MANY)]
    refused = [stranger.write(name, "registry", set={"flow": "no"}) for name in taken]
    aside = counter.of(push, store, refused)
    assert aside <= MOST_SET_ASIDE * MANY
    assert counter.of(push, store, refused) <= MOST_SET_ASIDE * MANY


@pytest.mark.parametrize("seed", [7])
def test_a_push_is_judged_on_postgresql_as_each_of_its_operations_alone(tmp_path, database, seed):
    """[RG14] As in tests/properties/test_judged_pushes.py, on the other database."""
    store = open_hub_store(database, tmp_path / "hub", new_generation="g-1")

    assert play_pushes(store, seed, pushes=25)["record"] > 0
    store.close()
