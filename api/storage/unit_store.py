"""The unit's whole store: log, views, plan checks, devices and facts over one connection."""

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from importlib import resources
from pathlib import Path

from api.record_catalogue.catalogue import Catalogue, read_catalogue
from api.storage.access_log import AccessLog, sign_last_line
from api.storage.any_connection import AnyDatabase
from api.storage.calendar_tokens import CalendarTokenStore
from api.storage.connection import FILE_NAME, open_database
from api.storage.device_standings import DeviceStandings
from api.storage.device_store import DeviceStore
from api.storage.erasures import ErasedRecords
from api.storage.errors import UNREADABLE, StorageError
from api.storage.export_store import ExportStore
from api.storage.held_back import HeldBackStore
from api.storage.hub_line_store import HubLineStore
from api.storage.implant_rows import ImplantRows
from api.storage.link_rows import LinkRows
from api.storage.log_marks import LogMarks
from api.storage.network_implants import NetworkImplants
from api.storage.operation_store import OperationStore
from api.storage.outcome_rows import OutcomeRows
from api.storage.people_store import PeopleStore
from api.storage.picture_files import FOLDER_NAME, PictureFiles
from api.storage.plan_checks import PlanCheckStore
from api.storage.record_ages import RecordAges
from api.storage.record_view import RecordView
from api.storage.registry_entries import RegistryEntries
from api.storage.seal import SealedHead, broken_seal_of, take_off_seal, write_seal
from api.storage.server_key import ServerKey, load_server_key
from api.storage.signatures import SignatureStore
from api.storage.snapshots import SnapshotStore
from api.storage.standing_store import StandingStore
from api.storage.used_nonces import UsedNonces
from api.storage.waiting_room import WaitingRoom
from api.storage.work_queue import WorkQueue
from sync.errors import SyncError


class UnitStore:
    """Everything a use case needs; statements run inside `transaction`."""

    # Whether other processes work on the same store.
    is_shared = False

    def __init__(
        self, database: AnyDatabase, catalogue: Catalogue, file: Path, server_key: ServerKey
    ) -> None:
        self._database = database
        self._file = file
        self._is_open = True
        self.catalogue = catalogue
        self.server_key = server_key
        self.operations = OperationStore(database.connection)
        self.held_back = HeldBackStore(database.connection, self.operations)
        self.devices = DeviceStore(database.connection)
        self.device_standings = DeviceStandings(database.connection)
        self.calendars = CalendarTokenStore(database.connection)
        self.people = PeopleStore(database.connection)
        self.access = AccessLog(database.connection)
        self.erasures = ErasedRecords(database.connection)
        self.ages = RecordAges(database.connection)
        self.views = RecordView(database.connection, self.operations, catalogue)
        self.implants = ImplantRows(database.connection)
        self.outcomes = OutcomeRows(database.connection)
        self.pictures = PictureFiles(file.parent / FOLDER_NAME)
        self.plan_checks = PlanCheckStore(database.connection)
        self.signatures = SignatureStore(database.connection)
        self.waiting = WaitingRoom(database.connection)
        self.work = WorkQueue(database.connection)
        self.used_nonces = UsedNonces(database.connection)
        self.marks = LogMarks(database.connection)
        self.snapshots = SnapshotStore(database.connection, self.operations)
        self.standings = StandingStore(database.connection)
        self.exports = ExportStore(database.connection)
        self.registry = RegistryEntries(database.connection)
        self.hub_line = HubLineStore(database.connection)
        self.links = LinkRows(database.connection)
        self.network_implants = NetworkImplants(database.connection)
        # Of several processes over one store each writes logs of its own; "" is alone.
        self.process = ""

    @property
    def folder(self) -> Path:
        """The data folder."""
        return self._file.parent

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Run a block as one: all of it on disk at its end, or none."""
        with self._database.transaction():
            yield

    @contextmanager
    def reading(self) -> Iterator[None]:
        """Run a block of reads on one state of the store; no transaction may begin in it."""
        with self._database.reading():
            yield

    def squeeze_file(self) -> None:
        """Write the file anew after an erasure; outside a transaction, whoever else is served."""
        with self._database.alone():
            self.erasures.squeeze_file()

    def listen(self, ring: Callable[[], None]) -> Callable[[], None]:
        """Call ``ring`` when another process appended; return what ends it. Here nobody does."""
        del ring
        return lambda: None

    def begin(self, new_generation: str) -> None:
        """Name a new store and bring its views up to this release; inside a transaction."""
        if self.fact("generation") is None:
            self.keep_fact("generation", new_generation)
        self.views.bring_up()

    def fact(self, name: str) -> str | None:
        """Return a small fact about the unit (its name, its generation)."""
        row = self._database.connection.execute(
            "SELECT content FROM fact WHERE name = ?", (name,)
        ).fetchone()
        return row[0] if row else None

    def keep_fact(self, name: str, content: str) -> None:
        """Keep a small fact."""
        self._database.connection.execute(
            "INSERT INTO fact VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET"
            " content = excluded.content",
            (name, content),
        )

    def copy_to(self, path: Path) -> None:
        """Write a sound copy of the file while it is in use; the target must not exist."""
        self._database.connection.copy_to(path)

    def check_file(self) -> str:
        """Return the database's own verdict on the file, "ok" when it is sound."""
        return self._database.connection.check()

    def schema(self) -> dict[str, str]:
        """Return the SQL of every table and index by name, for the schema snapshot."""
        return self._database.connection.schema()

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
            store.begin(new_generation)
    except StorageError:
        database.close()
        raise
    except (sqlite3.Error, SyncError, ValueError) as error:
        database.close()
        message = f"{folder} holds no whole store ({error}). Restore it from a backup."
        raise StorageError(message) from error
    return store
