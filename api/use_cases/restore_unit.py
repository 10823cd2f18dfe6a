"""Restore a unit from a backup, so that its devices notice and nothing is lost."""

from pathlib import Path

from api.storage.backups import put_back
from api.storage.unit_store import open_unit_store


def restore_unit(backup: Path, folder: Path, *, new_generation: str, now_ms: int) -> Path | None:
    """Put a backup in place under a new generation.

    Receipt numbers begin again where the backup ends, so devices have to read every stream anew;
    the new generation tells them. What the backup lacks they send again themselves (EX3).

    Returns
    -------
    Path or None
        Where the former store lies now.

    Raises
    ------
    StorageError
        The backup is unsound or the folder is in use; the folder is left as it was.
    """
    aside = put_back(backup, folder, now_ms=now_ms)
    store = open_unit_store(folder, new_generation=new_generation)
    try:
        with store.transaction():
            store.keep_fact("generation", new_generation)
    finally:
        store.close()
    return aside
