"""Restore a unit from a backup, so that its devices notice and nothing is lost."""

from collections.abc import Callable
from pathlib import Path

from api.storage.backups import put_back
from api.storage.connection import FILE_NAME
from api.storage.errors import StorageError
from api.storage.opened_store import named_database, open_store_of
from api.storage.unit_store import UnitStore, open_unit_store
from api.use_cases.erase_records import erase_again
from api.use_cases.note_access import AccessEvent, note_access
from api.use_cases.older_copy import mark_put_back
from api.use_cases.server_log import Chance


def restore_unit(
    backup: Path,
    folder: Path,
    *,
    new_generation: str,
    now_ms: int,
    draw_chance: Callable[[], Chance] | None = None,
) -> Path | None:
    """Put a backup in place under a new generation.

    Receipt numbers begin again where the backup ends, so devices have to read every stream anew;
    the new generation tells them. What the backup lacks they send again themselves (EX3), and what
    others had written they supply (EX10). What was erased here is erased in it again (ER5).

    Parameters
    ----------
    draw_chance : callable or None
        Writes erasures that the backup lacks into its log; without it they are done all the same,
        and `crura erase --again` writes them down.

    Returns
    -------
    Path or None
        Where the former store lies now.

    Raises
    ------
    StorageError
        The backup is unsound or the folder is in use; the folder is left as it was.
    """
    aside = put_back(backup, folder, new_generation=new_generation, now_ms=now_ms)
    # An older backup is brought to this release's schema now, not at the next start.
    store = open_unit_store(folder, new_generation=new_generation)
    with store.transaction():
        mark_put_back(store, now_ms=now_ms)
    _finish(store, now_ms, draw_chance)
    return aside


def name_copied_back(
    folder: Path, *, new_generation: str, now_ms: int, draw_chance: Callable[[], Chance]
) -> None:
    """Say that the store of a folder, or the database that it names, is an older copy.

    From then on it is like a backup put back by `restore_unit`: a new generation, and it takes
    what others wrote (EX10). A device alone cannot bring that about (EX21).

    Raises
    ------
    StorageError
        The folder holds no store or is in use; it is left as it was.
    """
    if named_database(folder) is None and not (folder / FILE_NAME).is_file():
        message = f"{folder} holds no store. Copy it there first, then try again."
        raise StorageError(message)
    store = open_store_of(folder, new_generation=new_generation)
    with store.transaction():
        mark_put_back(store, now_ms=now_ms, new_generation=new_generation)
    _finish(store, now_ms, draw_chance)


def _finish(store: UnitStore, now_ms: int, draw_chance: Callable[[], Chance] | None) -> None:
    try:
        # The trail in the backup ends where it was made; the former one lies beside it.
        note_access(
            store, AccessEvent(at_ms=now_ms, asker="machine", verb="restore", object="store")
        )
        erase_again(store, draw_chance=draw_chance)
    finally:
        store.close()
