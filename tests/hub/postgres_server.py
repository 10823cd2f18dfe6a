"""A PostgreSQL of the tests' own, in a temporary folder: started, and stopped at their end."""

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path

import psycopg

from api.storage.local_postgres import LocalPostgres

_DATABASES = count(1)


class PostgresServer(LocalPostgres):
    """A server with any number of databases; `make postgresql` installs its programs."""

    def make_database(self) -> str:
        """Make an empty database and return its address."""
        name = f"crura_{os.getpid()}_{next(_DATABASES)}"
        with psycopg.connect(self.url(), autocommit=True) as session:
            session.execute(f"CREATE DATABASE {name}")
        return self.url(name)

    def drop_database(self, url: str) -> None:
        """Drop a database, whoever still uses it."""
        name = psycopg.conninfo.conninfo_to_dict(url)["dbname"]
        with psycopg.connect(self.url(), autocommit=True) as session:
            session.execute(f"DROP DATABASE {name} WITH (FORCE)")


@contextmanager
def running_server() -> Iterator[PostgresServer]:
    """Yield a fresh server; it and its folder are gone afterwards.

    Raises
    ------
    StorageError
        PostgreSQL is not installed here; the sentence names `make postgresql`.
    """
    folder = Path(tempfile.mkdtemp(prefix="crura-pg-"))
    try:
        server = PostgresServer(folder)
        server.start()
        try:
            yield server
        finally:
            server.stop("immediate")
    finally:
        shutil.rmtree(folder, ignore_errors=True)
