"""[SEC-20] [SEC-24] The walk of the canaries through a hub whose store is a PostgreSQL.

A unit over a file meets that hub, as in `test_canary`; what is looked through here besides the
hub's own log, console, metrics, headers and refusals is what PostgreSQL writes: its server log, and
all that it holds. The walk through the unit's clinic, of which no hub hears, is left out.

Caught: in the server log each value of a statement that took long, and the row that was refused; in
a refusal the row that a disk failed at.
"""

import logging
import re
from pathlib import Path

import psycopg
import pytest

from api.storage.postgres_connection import open_session
from api.storage.squeezed_bodies import unpack_bodies
from tests.hub.postgres_server import running_server
from tests.safety.asked_requests import MACHINE
from tests.safety.canary_walk import serving_canaries
from tests.safety.spoiled_requests import again, by_others, good_requests, spoiled
from tests.safety.test_access_matrix import served_routes
from tests.safety.test_canary import ASK_FOR_NOTHING, NOT_DONE, assert_silent, leaks

BACKUPS = ("POST", "/api/backups")
# Of the unit's own words, what its hub may hold: its name, and lots of implants.
MAY_BE_HELD = ("site.name", ".device.lot")
# What its own people and units wrote there: what is looked through is what the database holds.
IS_HELD = {"site.name", "reason of a notice of the network", "purpose of an export"}
_PERMITS = "GRANT SET ON PARAMETER log_error_verbosity TO plain_hub"
_BODIES = re.compile(r"INSERT INTO public\.bodies VALUES \(\d+, '\\x([0-9a-f]+)'\);")
_BYTES = re.compile(r"\\x((?:[0-9a-f]{2})+)")
# PostgreSQL refuses by itself: it says of which row. A trigger stands for a disk that is full or
# fails, of which PostgreSQL adds by itself which row of a COPY it was.
_REFUSED_ROWS = (
    "ALTER TABLE {table} ADD CONSTRAINT refuses CHECK (false) NOT VALID",
    "ALTER TABLE {table} DROP CONSTRAINT refuses",
)
_FAILING_DISK = (
    "CREATE FUNCTION fail() RETURNS trigger LANGUAGE plpgsql AS $fail$ BEGIN"
    " RAISE EXCEPTION 'could not write' USING ERRCODE = '{code}'; END $fail$;"
    " CREATE TRIGGER fails BEFORE INSERT OR UPDATE ON {table} FOR EACH ROW EXECUTE FUNCTION fail()",
    "DROP FUNCTION fail CASCADE",
)


@pytest.fixture(scope="module")
def postgres():
    with running_server() as server:
        yield server


@pytest.fixture(scope="module")
def database(postgres):
    """A database whose operators have every statement written down, with how long it took."""
    url = postgres.make_database()
    with psycopg.connect(url, autocommit=True) as session:
        name = session.info.dbname
        session.execute(f"ALTER DATABASE {name} SET log_min_duration_statement = 0")
    return url


@pytest.fixture(scope="module")
def walk(tmp_path_factory, database):
    with serving_canaries(tmp_path_factory.mktemp("canary"), database=database) as walked:
        yield walked


@pytest.fixture
def silent(walk, postgres, caplog, capfd):
    """The walk; nothing of it may stand in the server log of the database, either."""
    caplog.set_level(logging.DEBUG)
    walk.play(with_clinic=False)
    yield walk
    server_log = (Path(postgres.folder) / "log").read_text(encoding="utf-8")
    assert "INSERT INTO record_state" in server_log
    assert_silent(walk, caplog, capfd, server_log=server_log)


def test_every_route_of_the_hub_is_done_and_no_secret_leaves_but_in_its_answer(silent):
    hub = silent.hub

    left = served_routes(hub.unit.client.app) - hub.routes()
    # PostgreSQL makes its copies itself.
    assert left == {*NOT_DONE["hub"], BACKUPS}
    assert leaks(silent, hub.asked) == []


def test_what_the_database_holds_is_no_word_of_a_unit(silent, postgres, database):
    """A dump, with each column of bytes read and each squeezed body unpacked."""
    dump = postgres.run("pg_dump", "--inserts", database)
    columns = [bytes.fromhex(one) for one in _BYTES.findall(dump)]
    bodies = [
        text for piece in _BODIES.findall(dump) for text in unpack_bodies(bytes.fromhex(piece))
    ]
    held = silent.secrets.found_in(
        "\n".join([dump, *(one.decode("latin-1") for one in columns), *bodies])
    )

    assert len(bodies) > 100
    assert set(held.values()) >= IS_HELD
    of_unit = {word: where for word, where in held.items() if word in silent.of_unit}
    assert {where for where in of_unit.values() if not where.endswith(MAY_BE_HELD)} == set()
    assert len(silent.of_unit) > 200
    # Passwords, codes, tokens, second factors and cookies, of both servers.
    assert {where for word, where in held.items() if word in silent.secrets.told} == set()


def test_no_refusal_of_the_hub_holds_a_secret_whoever_asks_and_whatever_is_spoiled(silent):
    hub = silent.hub
    requests = good_requests(hub)
    others = [MACHINE, *(silent.people_of_hub[role] for role in ASK_FOR_NOTHING)]

    asked = [*by_others(hub, others, requests), *spoiled(hub, silent.secrets, requests)]

    assert len([one for one in asked if one.answer.status_code >= 400]) > 4 * len(requests)
    assert {one.route for one in asked if one.answer.status_code >= 500} - {BACKUPS} == set()
    assert leaks(silent, asked) == []


def test_the_server_log_is_kept_short_where_whoever_runs_it_permits_that(postgres, database):
    """[SEC-20] Another user than the superuser needs a right of its own, and is served without."""
    url = database.replace("postgres@", "plain_hub@")
    assert url != database
    with psycopg.connect(database, autocommit=True) as session:
        session.execute("CREATE ROLE plain_hub LOGIN")
        for permits, kept in (("", "default"), (_PERMITS, "terse")):
            session.execute(permits or "SELECT 1")
            opened = open_session(url)
            assert opened.execute("SHOW log_error_verbosity").fetchone() == (kept,)
            opened.close()
        session.execute("DROP OWNED BY plain_hub; DROP ROLE plain_hub")


@pytest.mark.parametrize(
    ("refusal", "table", "code", "status"),
    [
        (_REFUSED_ROWS, "registry_export", "", 500),
        (_FAILING_DISK, "record", "58030", 503),
        (_FAILING_DISK, "record", "53100", 507),
    ],
)
def test_no_secret_leaves_when_the_database_refuses(silent, database, refusal, table, code, status):
    """Caught: the refusal told the row of a COPY, and the server log each row that was refused."""
    begin, end = (one.format(table=table, code=code) for one in refusal)
    with psycopg.connect(database, autocommit=True) as session:
        session.execute(begin)
        try:
            asked = [again(silent.hub, one) for one in good_requests(silent.hub)]
        finally:
            session.execute(end)

    refused = [one.answer.text for one in asked if one.answer.status_code == status]
    assert refused
    # Names of records are no secrets of the walk; whatever says of which row it was is none here.
    assert not [text for text in refused if "COPY" in text or "CONTEXT" in text]
    assert leaks(silent, asked) == []
