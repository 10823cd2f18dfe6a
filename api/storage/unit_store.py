"""The unit's whole store: log, views, plan checks, devices and facts over one connection."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from importlib import resources
from pathlib import Path

import sqlite_utils

from api.record_catalogue.catalogue import Catalogue, read_catalogue
from api.storage.access_log import AccessLog, sign_last_line
from api.storage.calendar_tokens import CalendarTokenStore
from api.storage.connection import FILE_NAME, Database, open_database
from api.storage.device_store import DeviceStore
from api.storage.erasures import ErasedRecords
from api.storage.errors import UNREADABLE, StorageError
from api.storage.held_back import HeldBackStore
from api.storage.implant_rows import ImplantRows
from api.storage.log_marks import LogMarks
from api.storage.operation_store import OperationStore
from api.storage.people_store import PeopleStore
from api.storage.picture_files import FOLDER_NAME, PictureFiles
from api.storage.plan_checks import PlanCheckStore
from api.storage.record_ages import RecordAges
from api.storage.record_view import RecordView
from api.storage.seal import SealedHead, broken_seal_of, take_off_seal, write_seal
from api.storage.server_key import ServerKey, load_server_key
from api.storage.signatures import SignatureStore
from api.storage.snapshots import SnapshotStore
from api.storage.waiting_room import WaitingRoom
from sync.errors import SyncError


class UnitStore:
    """Everything a use case needs; statements run inside `transaction`."""

    def __init__(
        self, database: Database, catalogue: Catalogue, file: Path, server_key: ServerKey
    ) -> None:
        self._database = database
        self._file = file
        self._is_open = True
        self.catalogue = catalogue
        self.server_key = server_key
        self.operations = OperationStore(database.connection)
        self.held_back = HeldBackStore(database.connection, self.operations)
        self.devices = DeviceStore(database.connection)
        self.calendars = CalendarTokenStore(database.connection)
        self.people = PeopleStore(database.connection)
        self.access = AccessLog(database.connection)
        self.erasures = ErasedRecords(database.connection)
        self.ages = RecordAges(database.connection)
        self.views = RecordView(database.connection, self.operations, catalogue)
        self.implants = ImplantRows(database.connection)
        self.pictures = PictureFiles(file.parent / FOLDER_NAME)
        self.plan_checks = PlanCheckStore(database.connection)
        self.signatures = SignatureStore(database.connection)
        self.waiting = WaitingRoom(database.connection)
        self.marks = LogMarks(database.connection)
        self.snapshots = SnapshotStore(database.connection, self.operations)

    @property
    def folder(self) -> Path:
        """The data folder."""
        return self._file.parent

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

    def heads_to_seal(self) -> tuple[SealedHead, ...]:
        """Sign where the trail of access ends, and return where each log does.

        Runs inside a transaction.
        """
        sign_last_line(self.access, self.server_key)
        tips = (
            (device, self.operations.tip_of(device, epoch))
            for device, epoch in self.operations.logs()
        )
        heads = (SealedHead(device, tip.epoch, tip.counter, tip.hash) for device, tip in tips)
        return tuple(sorted(heads))

    def broken_seal(self) -> Path | None:
        """Return the seal that did not fit when this store was opened, None when all was well."""
        return broken_seal_of(self._file)

    def close(self) -> None:
        """Close and seal the file, and let other processes in; once closed it stays closed."""
        if not self._is_open:
            return
        self._is_open = False
        try:
            with self.transaction():
                sign_last_line(self.access, self.server_key)
                heads = self.heads_to_seal()
        except UNREADABLE:
            # A file that cannot be read gets no seal; it is closed all the same.
            self._database.close()
            return
        self._database.close(then=lambda: self._seal(heads))

    def _seal(self, heads: tuple[SealedHead, ...]) -> None:
        # A full disk costs the seal, as a crash does, and no record.
        with suppress(OSError):
            write_seal(self._file, heads, self.server_key)


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
    database = open_database(
        folder, first=lambda file: take_off_seal(file, load_server_key(file.parent))
    )
    store = UnitStore(
        database, read_packaged_catalogue(), folder / FILE_NAME, load_server_key(folder)
    )
    try:
        with store.transaction():
            if store.fact("generation") is None:
                store.keep_fact("generation", new_generation)
            store.views.bring_up()
    except StorageError:
        database.close()
        raise
    except (sqlite3.Error, SyncError, ValueError) as error:
        database.close()
        message = f"{folder} holds no whole store ({error}). Restore it from a backup."
        raise StorageError(message) from error
    return store
