"""One PostgreSQL for all tests of the hub; each test has a database of its own."""

from collections.abc import Iterator

import pytest

from tests.hub.postgres_server import PostgresServer, running_server


@pytest.fixture(scope="session")
def postgres() -> Iterator[PostgresServer]:
    """A server of the tests' own."""
    with running_server() as server:
        yield server


@pytest.fixture
def database(postgres: PostgresServer) -> Iterator[str]:
    """The address of an empty database, which is gone after the test."""
    url = postgres.make_database()
    yield url
    postgres.drop_database(url)
