"""A unit server that serves, two tablets that joined it; a hub, and a unit of its network."""

import pytest

from api.storage.unit_store import open_unit_store
from tests.unit.api.network_hub import open_hub
from tests.unit.api.standing_unit import StandingUnit


@pytest.fixture
def unit(tmp_path):
    with StandingUnit(tmp_path / "unit").serving() as standing:
        yield standing


@pytest.fixture
def a(unit):
    return unit.join("tablet-a")


@pytest.fixture
def b(unit):
    return unit.join("tablet-b")


@pytest.fixture
def hub(tmp_path):
    opened = open_hub(tmp_path / "hub")
    yield opened
    opened.store.close()


@pytest.fixture
def own(tmp_path):
    store = open_unit_store(tmp_path / "own", new_generation="generation-own")
    yield store
    store.close()
