"""Restore a unit from a backup, so that its devices notice and nothing is lost."""

from pathlib import Path

from api.storage.backups import put_back
from api.storage.unit_store import open_unit_store
from api.use_cases.receive_resupply import PUT_BACK


def restore_unit(backup: Path, folder: Path, *, new_generation: str, now_ms: int) -> Path | None:
    """Put a backup in place under a new generation.

    Receipt numbers begin again where the backup ends, so devices have to read every stream anew;
    the new generation tells them. What the backup lacks they send again themselves (EX3), and what
    others had written they supply (EX10).

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
        store.keep_fact(PUT_BACK, str(now_ms))
    store.close()
    return aside
