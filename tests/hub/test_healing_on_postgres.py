"""A hub on PostgreSQL that was put back from a dump heals: its units bring what the dump lacks."""

import pytest

from api.storage.hub_store import open_hub_store
from api.storage.opened_store import FILE_NAME, note_database
from api.use_cases.list_network_aside import list_network_aside
from api.use_cases.restore_unit import name_copied_back
from api.use_cases.server_role import settle_role
from tests.hub.standing_network import StandingHub
from tests.hub.test_healing import (
    assert_told_once,
    notice,
    settle,
    states,
    withdraw,
    write_notice,
)


class PostgresHub(StandingHub):
    """A hub whose records lie in a database, which its operator dumps and restores."""

    def __init__(self, folder, server):
        self.server = server
        self.url = server.make_database()
        folder.mkdir()
        note_database(folder, self.url)
        super().__init__(folder)

    def _open(self, generation):
        store = open_hub_store(self.url, self.folder, new_generation=generation)
        settle_role(store, as_hub=True)
        return store

    def close(self):
        self.store.close()

    def copy(self, place):
        self.server.run("pg_dump", "-Fc", "-f", str(place), "-d", self.url)

    def put_back(self, place):
        """Restore into an empty database, name it in the folder, and say so by the command."""
        self.close()
        self.url = self.server.make_database()
        self.server.run("pg_restore", "-d", self.url, str(place))
        (self.folder / FILE_NAME).unlink()
        note_database(self.folder, self.url)
        name_copied_back(
            self.folder,
            new_generation="hub-generation-2",
            now_ms=self.environment.now_ms(),
            draw_chance=self.chance,
        )
        self.open()


@pytest.fixture
def hub(tmp_path, postgres):
    opened = PostgresHub(tmp_path / "hub", postgres)
    yield opened
    opened.close()


def test_a_hub_put_back_from_a_dump_has_all_again(hub, units, postgres):
    """[EX3] [EX10] [RG13] By the lines that its units use.

    The planted bug it has caught: `name_copied_back` that did not say that a person put it back.
    """
    for unit in units:
        unit.join(hub)
        unit.tell(1, birth_year=1950)
    write_notice(hub, 1)
    settle(hub, units)
    hub.copy(postgres.folder / "older.dump")
    for unit in units:
        unit.tell(1, birth_year=1951)
        unit.tell(2, sex="male")
    write_notice(hub, 2)
    withdraw(hub, notice(1))
    settle(hub, units)

    hub.put_back(postgres.folder / "older.dump")
    assert set(hub.shown("network_recall")) == {notice(1)}
    settle(hub, units)

    assert_told_once(hub, units)
    assert states(hub, "network_recall") == {notice(1): ["withdrawn"], notice(2): ["in-force"]}
    told = list_network_aside(hub.store, now_ms=hub.environment.now_ms())
    assert (told.is_open, told.words, told.of_units) == (True, [], 0)
