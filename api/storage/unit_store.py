"""The unit's whole store: log, views, plan checks, devices and facts over one connection."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import resources
from pathlib import Path

import sqlite_utils

from api.record_catalogue.catalogue import Catalogue, read_catalogue
from api.storage.connection import Database, open_database
from api.storage.device_store import DeviceStore
from api.storage.operation_store import OperationStore
from api.storage.plan_checks import PlanCheckStore
from api.storage.record_view import RecordView


class UnitStore:
    """Everything a use case needs; statements run inside `transaction`."""

    def __init__(self, database: Database, catalogue: Catalogue) -> None:
        self._database = database
        self.catalogue = catalogue
        self.operations = OperationStore(database.connection)
        self.devices = DeviceStore(database.connection)
        self.views = RecordView(database.connection, self.operations, catalogue)
        self.plan_checks = PlanCheckStore(database.connection)

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Run a block as one: all of it on disk at its end, or none."""
        with self._database.transaction():
            yield

    def fact(self, name: str) -> str | None:
        """Return a small fact about the unit (its name, its generation)."""
        row = self._database.connection.execute(
            "SELECT content FROM fact WHERE name = ?", (name,)
        ).fetchone()
        return row[0] if row else None

    def keep_fact(self, name: str, content: str) -> None:
        """Keep a small fact."""
        self._database.connection.execute(
            "INSERT OR REPLACE INTO fact VALUES (?, ?)", (name, content)
        )

    def copy_to(self, path: Path) -> None:
        """Write a sound copy of the file while it is in use; the target must not exist."""
        target = sqlite3.connect(path)
        # All pages in one go: in steps the copy starts over with each foreign write.
        self._database.connection.backup(target, pages=-1)
        target.close()

    def check_file(self) -> str:
        """Return SQLite's own verdict on the file, "ok" when it is sound."""
        row = self._database.connection.execute("PRAGMA integrity_check(1)").fetchone()
        return str(row[0])

    def schema(self) -> dict[str, str]:
        """Return the SQL of every table and index by name, for the schema snapshot."""
        tables = sqlite_utils.Database(self._database.connection)
        rows = tables.query(
            "SELECT name, sql FROM sqlite_master"
            " WHERE sql IS NOT NULL AND name NOT LIKE 'sqlite_%' ORDER BY name"
        )
        return {row["name"]: row["sql"] for row in rows}

    def close(self) -> None:
        """Close the file and let other processes in."""
        self._database.close()


def read_packaged_catalogue() -> Catalogue:
    """Return the record catalogue that this release carries."""
    return read_catalogue((resources.files("api.record_catalogue") / "catalogue.json").read_bytes())


def open_unit_store(folder: Path, *, new_generation: str) -> UnitStore:
    """Open the store of a data folder.

    Parameters
    ----------
    new_generation : str
        Name of a new store; kept only when the folder has none yet. Devices notice by it that
        the server behind an address was replaced.

    Raises
    ------
    StorageError
        The folder is in use or cannot be written.
    """
    store = UnitStore(open_database(folder), read_packaged_catalogue())
    with store.transaction():
        if store.fact("generation") is None:
            store.keep_fact("generation", new_generation)
    return store
