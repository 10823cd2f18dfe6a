"""A network to look at: a hub on PostgreSQL and two units that publish to it, all invented."""

import csv
import io
import secrets
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import httpx
import msgspec

from api.clinical_rules.civil_date import add_days, days_between
from api.command_parts import ENVIRONMENT, draw_chance
from api.demonstration import STORIES, invite_browsers, load_stories
from api.storage.errors import StorageError
from api.storage.local_postgres import LocalPostgres
from api.storage.unit_store import open_unit_store
from api.use_cases.import_cases import take_past_cases
from api.use_cases.linkage_setting import allow_linkage

_LONGEST_START_SECONDS = 60.0
_COMMAND = (sys.executable, "-c", "from api.command_line import main; main()")
# People of the hub: two data managers, since two people have to agree to a link, and an
# endoscopist, without whom no version of a rule file is approved.
_PEOPLE = (
    ("Nell Ashgrove", "data-manager"),
    ("Corin Blackmere", "data-manager"),
    ("Isolde Fenmarch", "endoscopist"),
)
# The day as of which the past cases were written.
_WRITTEN_ON = "2026-03-16"


class DemonstratedUnit(msgspec.Struct, frozen=True):
    """A unit of the network: its name, its stories, its file of past cases, who logs in there."""

    name: str
    stories: Path
    past: str
    manager: str
    endoscopist: str


_UNITS = (
    DemonstratedUnit(
        "Tarn Hollow", STORIES, "tarn_hollow", "staff/pell-thistlewood", "staff/wren-quillfeather"
    ),
    DemonstratedUnit(
        "Marlow Fen",
        STORIES / "second_unit",
        "marlow_fen",
        "staff/gale-orrinby",
        "staff/sorrel-attwick",
    ),
)


def show_network(folder: Path, *, first_port: int, say: Callable[[str], None]) -> None:
    """Serve a hub and two units until somebody stops it.

    Parameters
    ----------
    folder : Path
        Throw-away folder for the database and the three data folders.
    first_port : int
        Port of the first unit; the second unit and the hub take the next two.

    Raises
    ------
    StorageError
        There is no PostgreSQL on this machine, a port is taken, or a step failed; all is stopped.
    """
    with ExitStack() as running:
        url = running.enter_context(_database())
        hub, hub_address = folder / "hub", f"http://127.0.0.1:{first_port + 2}"
        running.enter_context(_served(hub, first_port + 2, "--hub", "--database", url))
        codes = [(name, role, _add_person(hub, name, role)) for name, role in _PEOPLE]
        network_key = secrets.token_hex()
        welcomes = []
        for place, one in enumerate(_UNITS):
            unit, port = folder / one.past, first_port + place
            address = f"http://127.0.0.1:{port}"
            links = _prepare_unit(one, unit, address, network_key)
            running.enter_context(_served(unit, port))
            codes_here = (
                _let_log_in(unit, one.manager, "data-manager"),
                _let_log_in(unit, one.endoscopist, "endoscopist"),
            )
            welcomes.append((one.name, address, links["bedside"], *codes_here))
            _join(unit, hub, hub_address)
        say(_welcome(folder, hub_address, codes, welcomes))
        _wait()


def _prepare_unit(
    one: DemonstratedUnit, folder: Path, address: str, network_key: str
) -> dict[str, str]:
    """Load the stories and past cases of a unit, and return links for its browsers."""
    store = open_unit_store(folder, new_generation=ENVIRONMENT.new_id())
    try:
        load_stories(store, one.stories, ENVIRONMENT)
        links = invite_browsers(store, address, ENVIRONMENT)
        content = (STORIES / "past_cases" / f"{one.past}.csv").read_text()
        take_past_cases(
            store,
            f"{one.past}.csv",
            move_days(content, to=ENVIRONMENT.today()).encode(),
            by=one.manager,
            because="past cases of the demonstration",
            on=ENVIRONMENT.today(),
            draw_chance=draw_chance,
        )
        allow_linkage(store, network_key)
    finally:
        store.close()
    return links


def move_days(past_cases: str, *, to: str) -> str:
    """Return a file of past cases with every day moved along with today, as in the stories."""
    by_days = days_between(_WRITTEN_ON, to)
    header, *rows = csv.reader(io.StringIO(past_cases))
    is_day = [name.endswith("_on") for name in header]
    moved = [
        [
            add_days(cell, by_days) if day and cell else cell
            for day, cell in zip(is_day, row, strict=True)
        ]
        for row in rows
    ]
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows([header, *moved])
    return out.getvalue()


def _add_person(hub: Path, name: str, role: str) -> str:
    """Add somebody at the hub, and return the one-time code of the first log-in."""
    added = _run("staff", "add", "--name", name, "--role", role, "--data", str(hub))
    return _first_log_in(hub, added.split()[-1].rstrip("."))


def _let_log_in(folder: Path, staff: str, role: str) -> str:
    """Give somebody of a story their role at the unit itself, and return a first code."""
    _run("staff", "role", staff, role, "--data", str(folder))
    return _first_log_in(folder, staff)


def _first_log_in(folder: Path, staff: str) -> str:
    return _run("staff", "code", staff, "--log-in", "--data", str(folder)).splitlines()[0]


def _join(unit: Path, hub: Path, address: str) -> None:
    asked = ("device", "invite", "--role", "unit", "--trusted", "--address", address)
    invited = _run(*asked, "--data", str(hub))
    link = invited.splitlines()[1]
    _run("hub", "join", link, "--data", str(unit))
    _run("hub", "publish", "--data", str(unit))


@contextmanager
def _database() -> Iterator[str]:
    """Run a PostgreSQL until the block ends, and yield its address."""
    # Beside the data folders and not below: PostgreSQL runs as a user who may not enter those.
    folder = Path(tempfile.mkdtemp(prefix="crura-demo-database-"))
    try:
        database = LocalPostgres(folder)
        url = database.start()
        try:
            yield url
        finally:
            database.stop()
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def _served(folder: Path, port: int, *more: str) -> Iterator[None]:
    """Serve a folder in a process of its own until the block ends."""
    said = folder.with_suffix(".said")
    with said.open("w") as file:
        server = subprocess.Popen(  # noqa: S603
            [*_COMMAND, "serve", "--data", str(folder), "--port", str(port), *more],
            stdout=subprocess.DEVNULL,
            stderr=file,
        )
    try:
        _wait_for(server, f"http://127.0.0.1:{port}/api/health", said)
        yield
    finally:
        server.terminate()
        server.wait(timeout=30)


def _wait_for(server: subprocess.Popen[bytes], address: str, said: Path) -> None:
    until = time.monotonic() + _LONGEST_START_SECONDS
    while time.monotonic() < until:
        if server.poll() is not None:
            sentence = said.read_text().strip()
            raise StorageError(sentence or "A server of the network did not start. Start it again.")
        try:
            if httpx.get(address, trust_env=False).status_code == httpx.codes.OK:
                return
        except httpx.HTTPError:
            time.sleep(0.1)
    raise StorageError("A server of the network did not start in time. Start it again.")


def _run(*arguments: str) -> str:
    """Run one command and return what it said."""
    done = subprocess.run(  # noqa: S603
        [*_COMMAND, *arguments], capture_output=True, text=True, check=False
    )
    if done.returncode:
        message = f"crura {' '.join(arguments[:2])}: {done.stderr.strip() or 'failed'}"
        raise StorageError(message)
    return done.stdout


def _wait() -> None:
    """Sleep until somebody stops it, from a keyboard or otherwise: all servers go with it."""
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        while True:
            time.sleep(3_600)
    except KeyboardInterrupt:
        return


def _welcome(
    folder: Path,
    hub: str,
    people_of_hub: list[tuple[str, str, str]],
    units: list[tuple[str, str, str, str, str]],
) -> str:
    people = "\n".join(
        f"  {name} ({role.replace('-', ' ')}): first code {code}"
        for name, role, code in people_of_hub
    )
    places = "\n".join(
        f"{name}: {address}/#/unit\n"
        f"  data manager: first code {manager}\n"
        f"  endoscopist:  first code {endoscopist}\n"
        f"  tablet:       {tablet}"
        for name, address, tablet, manager, endoscopist in units
    )
    return f"""
A network of invented units runs in a throw-away folder (stop with Ctrl-C).

Hub: {hub}/#/network
{people}
{places}
(A first code sets a password and a second factor; each tablet link lets one browser join.)
Commands: --data {folder}/hub, {folder}/tarn_hollow or {folder}/marlow_fen

What to try first
  1. Log in at the hub as one data manager: units, outcomes, what the data lack.
  2. Recall lot L-0417-F there; log in at each unit and answer the notice.
  3. One woman was treated in both units under two spellings of her name: agree to the link as one
     data manager of the hub, then as the other; or let an endoscopist of a unit say so, who
     sees the name.
  4. Under Protocols write a new version of a rule file as data manager, approve it as data manager
     and as endoscopist, and send it; take it at a unit, approve it there as data manager and as
     endoscopist, and withdraw it at the hub.
  Units talk to the hub every few minutes; at once by crura hub publish --data ...

Not a certified medical device: local protocol and licensed practice decide.
"""
