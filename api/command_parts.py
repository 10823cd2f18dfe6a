"""What every command shares: the data folder, refusals in one sentence, and what is drawn anew."""

import sys
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import NoReturn, TypeVar
from urllib.parse import urlencode

import rich_click as click

from api.environment import Environment
from api.record_catalogue.record_names import case_of, is_record_name
from api.storage.errors import FolderInUseError, StorageError
from api.storage.opened_store import open_store_of
from api.storage.running_server import RunningServer, find_running_server
from api.storage.unit_store import UnitStore
from api.use_cases.errors import UseCaseError
from api.use_cases.note_access import AccessEvent, note_access
from api.use_cases.server_log import Chance
from api.use_cases.unit_day import read_unit_zone

DEFAULT_PORT = 8470
ENVIRONMENT = Environment()
T = TypeVar("T")
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
        store = open_store_of(folder, new_generation=ENVIRONMENT.new_id())
        try:
            yield store
        finally:
            store.close()


def do_here_or_there(
    folder: Path, here: Callable[[UnitStore], T], there: Callable[[RunningServer], T]
) -> T:
    """Do something in the store of a folder, or let the server do it that has it open."""
    with refusals():
        try:
            store = open_store_of(folder, new_generation=ENVIRONMENT.new_id())
        except FolderInUseError:
            server = find_running_server(folder)
            if server is None:
                raise
            return there(server)
        with closing(store):
            return here(store)


def read_case(typed: str) -> str:
    """Return the record of a case, ``case/<id>``, or say in a sentence that none can be named so.

    A server is asked by it and the trail names it; neither takes any text.
    """
    case = case_of(typed)
    if not is_record_name(case):
        refuse(f"{case[:80]!r} is no case on record. Name one that is: case/<id>.")
    return case


def read_visits(typed: tuple[str, ...]) -> list[str]:
    """Return the records of visits, or say in a sentence that one cannot be named so."""
    for visit in typed:
        if not (visit.startswith("visit/") and is_record_name(visit)):
            refuse(f"{visit[:80]!r} names no visit. Name each as visit/<id>.")
    return list(typed)


def address_of(path: str, **asked: str | None) -> str:
    """Return where the running server is asked; what is None is left out."""
    query = urlencode({name: value for name, value in asked.items() if value is not None})
    return f"{path}?{query}" if query else path


def data_option(command: Callable[..., None]) -> Callable[..., None]:
    """Add ``--data`` to a command."""
    return click.option(
        "--data",
        "folder",
        type=click.Path(path_type=Path, file_okay=False),
        default=ENVIRONMENT.data_folder,
        help="Folder of the unit's store (default: $CRURA_DATA, else crura-data).",
    )(command)


def today_of(store: UnitStore) -> str:
    """Return today's civil date where the unit of a store is, ``YYYY-MM-DD``."""
    return ENVIRONMENT.today(read_unit_zone(store, otherwise=ENVIRONMENT.time_zone))


def draw_chance() -> Chance:
    """Return the time, a salt and ids for one act of the server."""
    return ENVIRONMENT.draw_chance()


def note_here(
    store: UnitStore, verb: str, thing: str, records: tuple[str, ...] = (), why: str = ""
) -> None:
    """Note what a command on this machine is about to show or write (AU5)."""
    note_access(
        store,
        AccessEvent(
            at_ms=ENVIRONMENT.now_ms(),
            asker="machine",
            verb=verb,
            object=thing,
            records=records,
            why=why,
        ),
    )
