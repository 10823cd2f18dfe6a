"""The store of a hub in PostgreSQL: what the unit's store is, for several processes at once."""

from collections.abc import Callable
from pathlib import Path

import psycopg

from api.storage.connection import FILE_NAME
from api.storage.errors import StorageError
from api.storage.heads_listener import HeadsListener
from api.storage.postgres_connection import database_words
from api.storage.postgres_database import open_postgres
from api.storage.server_key import FILE_NAME as KEY_NAME
from api.storage.server_key import ServerKey, load_server_key
from api.storage.unit_store import UnitStore, read_packaged_catalogue
from sync.errors import SyncError

_KEY_FACT = "server key"


class HubStore(UnitStore):
    """Everything a use case needs, in a database that other processes use as well."""

    is_shared = True
    _url = ""

    def listen(self, ring: Callable[[], None]) -> Callable[[], None]:
        """Call ``ring``, from a thread of its own, when any process appended; return what ends it.

        It also rings when the line to the database was cut meanwhile: something may have come.
        """
        listener = HeadsListener(self._url, ring)
        listener.start()
        return listener.close


def open_hub_store(url: str, folder: Path, *, new_generation: str) -> HubStore:
    """Open the store of a hub.

    Parameters
    ----------
    url : str
        The database, ``postgresql://...``; its tables are made or brought up first.
    folder : Path
        Holds the hub's key and its list of erasures. Processes of one hub share it, or each has a
        copy of the key in its own.
    new_generation : str
        Name of a new store; kept only when the database has none yet.

    Raises
    ------
    StorageError
        The folder cannot be written, the database cannot be used as it is, or another key than
        this folder's signs as the hub.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        message = f"The data folder {folder} cannot be written ({error.strerror}). Choose another."
        raise StorageError(message) from error
    database = open_postgres(url)
    try:
        server_key = load_server_key(folder)
        store = HubStore(database, read_packaged_catalogue(), folder / FILE_NAME, server_key)
        store._url = url
        with store.transaction():
            _hold_to_one_key(store, server_key, folder)
            store.begin(new_generation)
    except StorageError:
        database.close()
        raise
    except (psycopg.Error, SyncError, ValueError) as error:
        database.close()
        said = database_words(error)
        message = f"The hub's database holds no whole store ({said}). Restore it from a backup."
        raise StorageError(message) from error
    return store


def _hold_to_one_key(store: UnitStore, key: ServerKey, folder: Path) -> None:
    """Raise StorageError where another key signs as this hub: units know it by one."""
    known = store.fact(_KEY_FACT)
    if known is None:
        store.keep_fact(_KEY_FACT, key.key_id)
    elif known != key.key_id:
        message = (
            f"{folder / KEY_NAME} is not the key of this hub. Copy that file from the folder of a "
            "process of the hub that runs already, then start again."
        )
        raise StorageError(message)
