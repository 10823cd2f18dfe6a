"""One PostgreSQL for all tests of the hub, a database for each test; a hub and two units."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.hub.postgres_server import PostgresServer, running_server
from tests.hub.standing_network import NetworkUnit, StandingHub


@pytest.fixture(scope="session")
def postgres() -> Iterator[PostgresServer]:
    """A server of the tests' own."""
    with running_server() as server:
        yield server


@pytest.fixture
def hub(tmp_path: Path) -> Iterator[StandingHub]:
    """A hub over a file."""
    opened = StandingHub(tmp_path / "hub")
    yield opened
    opened.close()


@pytest.fixture
def units(tmp_path: Path) -> Iterator[list[NetworkUnit]]:
    """Two units that have joined nothing yet."""
    opened = [NetworkUnit(tmp_path / name, name) for name in ("tarn", "fen")]
    yield opened
    for one in opened:
        one.close()


@pytest.fixture
def database(postgres: PostgresServer) -> Iterator[str]:
    """The address of an empty database, which is gone after the test."""
    url = postgres.make_database()
    yield url
    postgres.drop_database(url)
