"""What every command shares: the data folder, refusals in one sentence, and what is drawn anew."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NoReturn

import rich_click as click

from api.environment import Environment
from api.storage.errors import StorageError
from api.storage.unit_store import UnitStore, open_unit_store
from api.use_cases.errors import UseCaseError
from api.use_cases.server_log import Chance

DEFAULT_PORT = 8470
ENVIRONMENT = Environment()
_REFUSALS = (StorageError, UseCaseError)


def refuse(sentence: str) -> NoReturn:
    """Say one sentence on standard error and end with exit code 2."""
    click.echo(sentence, err=True)
    sys.exit(2)


@contextmanager
def refusals() -> Iterator[None]:
    """Turn what is refused into one sentence and exit code 2."""
    try:
        yield
    except _REFUSALS as error:
        refuse(str(error))


@contextmanager
def open_store(folder: Path) -> Iterator[UnitStore]:
    """Open the store of a data folder for one command."""
    with refusals():
        store = open_unit_store(folder, new_generation=ENVIRONMENT.new_id())
        try:
            yield store
        finally:
            store.close()


def data_option(command: Callable[..., None]) -> Callable[..., None]:
    """Add ``--data`` to a command."""
    return click.option(
        "--data",
        "folder",
        type=click.Path(path_type=Path, file_okay=False),
        default=ENVIRONMENT.data_folder,
        help="Folder of the unit's store (default: $CRURA_DATA, else crura-data).",
    )(command)


def draw_chance() -> Chance:
    """Return the time, a salt and ids for one act of the server."""
    return Chance(
        new_id=ENVIRONMENT.new_id(),
        new_epoch=ENVIRONMENT.new_id(),
        salt=ENVIRONMENT.new_salt(),
        now_ms=ENVIRONMENT.now_ms(),
    )
