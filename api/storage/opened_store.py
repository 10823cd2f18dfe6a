"""Opens whatever store a data folder holds: its own file, or the database that it names."""

import os
from pathlib import Path

from api.storage.errors import StorageError
from api.storage.unit_store import UnitStore, open_unit_store

FILE_NAME = "crura.database"
_OWNER_ALONE = 0o600


def note_database(folder: Path, url: str) -> None:
    """Write down which PostgreSQL database a folder's hub keeps its records in.

    The address may hold a password: its owner alone can read the file. The same database by
    another way (a new password, TLS) is written in place of the former.

    Raises
    ------
    StorageError
        Records could cross to it in clear, the folder names another database already, or cannot
        be written.
    """
    # The database's library loads slowly, and a unit needs none of it.
    from api.storage.postgres_line import is_same_database, refuse_clear_line

    refuse_clear_line(url)
    held = named_database(folder)
    if held == url:
        return
    if held is not None and not is_same_database(held, url):
        message = f"{folder} belongs to another database. Give --data a folder of its own."
        raise StorageError(message)
    path, beside = folder / FILE_NAME, folder / f"{FILE_NAME}.new"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        beside.unlink(missing_ok=True)
        descriptor = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, _OWNER_ALONE)
        with os.fdopen(descriptor, "w") as file:
            file.write(url)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    except OSError as error:
        message = f"The data folder {folder} cannot be written ({error.strerror})."
        raise StorageError(message) from error


def named_database(folder: Path) -> str | None:
    """Return the database that a folder names, None where its records are in its own file."""
    try:
        return (folder / FILE_NAME).read_text().strip() or None
    except FileNotFoundError:
        return None
    except OSError as error:
        message = f"The data folder {folder} cannot be read ({error.strerror})."
        raise StorageError(message) from error


def open_store_of(folder: Path, *, new_generation: str) -> UnitStore:
    """Open the store of a data folder, wherever it lies.

    Raises
    ------
    StorageError
        The folder is in use or cannot be written, or its database does not answer.
    """
    url = named_database(folder)
    if url is None:
        return open_unit_store(folder, new_generation=new_generation)
    # The database's library loads slowly, and a unit needs none of it.
    from api.storage.hub_store import open_hub_store

    return open_hub_store(url, folder, new_generation=new_generation)
