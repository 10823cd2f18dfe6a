"""[SEC-21] [SEC-22] [FU-11] Every route by every asker, each cell a real request.

What is expected stands in access_matrix.csv, written apart from the table that the server asks: a
cell flipped in either of the two is seen. A route without a row is red, and a row without a route.
"""

import csv
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from litestar import get
from litestar.testing import TestClient

from api.access.access_table import AccessTable
from api.app import create_app
from api.routes.access_guard import UndeclaredRouteError, refuse_undeclared_routes
from api.storage.packaged_access import read_packaged_access_table
from api.use_cases.server_role import is_hub
from tests.unit.api.desk_person import DeskPerson
from tests.unit.api.standing_unit import LOCAL_KEY, StandingUnit

MATRIX = Path(__file__).with_name("access_matrix.csv")
DEVICES = ("bedside", "booking", "unit", "waiting", "revoked")
Ask = Callable[..., Any]
# What a request needs to reach what stands behind the guard; everything else asks with nothing.
QUERIES = {
    "/api/exchange/pull": {"stream": "booking"},
    "/api/exchange/snapshot": {"stream": "booking"},
}


def read_matrix() -> dict[tuple[str, str], dict[str, bool]]:
    with MATRIX.open(newline="") as lines:
        rows = list(csv.DictReader(lines))
    return {
        (row.pop("method"), row.pop("path")): {asker: cell == "x" for asker, cell in row.items()}
        for row in rows
    }


EXPECTED = read_matrix()
ASKERS = tuple(next(iter(EXPECTED.values())))


def _named(column: str) -> str:
    """Return how the table names the asker of a column."""
    if column in ("public", "machine"):
        return column
    if column in DEVICES:
        return f"device:{column}"
    return f"person:{'booking' if column == 'booking-clerk' else column}"


def _path(route) -> str:
    return re.sub(r"\{(\w+):\w+\}", r"{\1}", route.path)


def served_routes(app) -> set[tuple[str, str]]:
    return {
        (method, _path(route))
        for route in app.routes
        for handler in route.route_handlers
        for method in handler.http_methods
        if method != "OPTIONS"
    }


def ask_as(unit: StandingUnit, asker: str) -> Ask:
    """Return what sends a request as somebody; whoever it is comes in by the unit's own doors."""
    if asker in DEVICES:
        role = asker if asker in ("booking", "unit") else "bedside"
        joins_as = "unit" if is_hub(unit.store) else "bedside"
        headers = unit.join(f"{asker}-1", joins_as, is_trusted=asker != "waiting")
        unit.change_role(f"{asker}-1", role)
        if asker == "revoked":
            with unit.store.transaction():
                unit.store.devices.revoke("revoked-1", revoked_ms=1)
        return lambda method, path, **sent: unit.client.request(
            method, path, **{**sent, "headers": {**headers, **sent.get("headers", {})}}
        )
    if asker in ("public", "machine"):
        shown = {"authorization": f"Bearer {LOCAL_KEY}"} if asker == "machine" else {}
        return lambda method, path, **sent: unit.client.request(
            method, path, **{**sent, "headers": {**shown, **sent.get("headers", {})}}
        )
    return ask_as_person(unit, log_in_as(unit, asker))


def log_in_as(unit: StandingUnit, asker: str) -> DeskPerson:
    """Add a person of a role and log in."""
    role = "booking" if asker == "booking-clerk" else asker
    person = DeskPerson(unit, f"Person {role}", role)
    assert person.log_in().status_code == 201
    return person


def ask_as_person(unit: StandingUnit, person: DeskPerson) -> Ask:
    """Return what sends a request as a person, from our own page, by the log-in of the moment."""

    def ask(method: str, path: str, **sent: Any) -> Any:
        own = {"cookie": f"__Host-crura={person.cookie}", "sec-fetch-site": "same-origin"}
        unit.client.cookies.clear()
        return unit.client.request(
            method, path, **{**sent, "headers": {**own, **sent.get("headers", {})}}
        )

    return ask


def send_plainly(ask: Ask, method: str, path: str) -> Any:
    filled = re.sub(r"\{\w+\}", "x", path)
    sent: dict[str, Any] = {"params": QUERIES.get(path, {})}
    if method == "PUT":
        sent |= {"content": b"x", "headers": {"content-type": "application/octet-stream"}}
    elif method == "POST":
        sent |= {"json": {}}
    return ask(method, filled, **sent)


def _refusals(table: AccessTable) -> set[str]:
    return {
        *(row.refusal for row in table.objects.values()),
        "This device is not known here. Join it again by an invitation.",
    }


def _is_let_through(answer: Any, refusals: set[str]) -> bool:
    """Say whether the guard let a request pass, whatever became of it behind."""
    assert answer.status_code < 500, answer.text
    assert answer.status_code != 429, answer.text
    if answer.status_code not in (401, 403):
        return True
    problem = answer.json()
    return not (problem["detail"] in refusals or problem["type"].startswith("/problems/device-"))


def test_every_route_has_a_row_and_every_row_a_route(unit, hub):
    """Planted and caught: a route of the server left out of the matrix."""
    assert served_routes(unit.client.app) | served_routes(hub.client.app) == set(EXPECTED)


@pytest.mark.parametrize("asker", ASKERS)
def test_every_cell_by_a_real_request(server, asker):
    """Planted and caught, each: a booking desk that reads papers; an auditor that makes codes for
    staff; a booking desk that is refused the shelf.
    """
    unit, served = server, served_routes(server.client.app)
    ask = ask_as(unit, asker)
    refusals = _refusals(read_packaged_access_table())
    before = unit.written()
    found = {}
    # Who logs out asks nothing afterwards: that comes last.
    for method, path in sorted(served, key=lambda one: (one[0] == "DELETE", one)):
        unit.environment.moved["ms"] += 700
        found[method, path] = _is_let_through(send_plainly(ask, method, path), refusals)

    assert found == {route: row[asker] for route, row in EXPECTED.items() if route in served}
    assert unit.written() == before


def test_the_table_says_the_same(server):
    """The second wall, in the use cases, hides a cell of the first that is wrong; this does not.

    Planted and caught: a booking desk that reads papers, which `make_documents` refused anyway.
    """
    table = read_packaged_access_table()
    said = {
        (method, _path(route)): {
            column: _named(column) in table.allowed(*reversed(handler.opt["needs"].rsplit(".", 1)))
            for column in ASKERS
        }
        for route in server.client.app.routes
        for handler in route.route_handlers
        for method in handler.http_methods
        if method != "OPTIONS"
    }

    assert said == {route: EXPECTED[route] for route in said}


def test_all_cells_are_asserted():
    """100 % of route x asker, and every asker of the table is one of the columns."""
    assert {_named(column) for column in ASKERS} == set(read_packaged_access_table().askers)
    assert all(set(row) == set(ASKERS) for row in EXPECTED.values())


def test_a_role_that_was_taken_away_is_gone_at_the_next_request(unit):
    """A session says who it is, not what it may: the staff record is asked each time."""
    ask = ask_as(unit, "unit-admin")
    other = DeskPerson(unit, "Second Admin", "unit-admin")
    assert other.log_in().status_code == 201
    assert other.ask("GET", "/api/unit/staff").status_code == 200

    changed = ask(
        "POST",
        "/api/unit/staff-changes",
        json={"staff": other.staff, "change": "role", "role": "training"},
    )
    assert changed.status_code in (200, 201), changed.text

    assert other.ask("GET", "/api/unit/staff").status_code in (401, 403)


@pytest.mark.parametrize("opt", [{}, {"needs": "papers.shred"}, {"needs": "everything.read"}])
def test_a_route_that_declares_no_need_of_the_table_stops_the_start(tmp_path, opt):
    """Planted and caught: a need that no row grants was taken for one."""

    @get("/api/forgotten", opt=opt)
    async def get_forgotten() -> str:
        return "everything"

    standing = StandingUnit(tmp_path / "unit")
    app = create_app(
        standing.store, standing.environment, standing.static_files, local_key=LOCAL_KEY
    )
    app.register(get_forgotten)
    try:
        with pytest.raises(UndeclaredRouteError, match="/api/forgotten"):
            refuse_undeclared_routes(app)
        # Even registered later it is open to nobody.
        with TestClient(app, raise_server_exceptions=False) as client:
            assert client.get("/api/forgotten").status_code in (401, 403)
            key = {"authorization": f"Bearer {LOCAL_KEY}"}
            assert client.get("/api/forgotten", headers=key).status_code in (401, 403)
    finally:
        standing.store.close()


def test_a_unit_in_use_tells_nobody_how_it_is_built(tmp_path):
    """[SEC-01]"""
    standing = StandingUnit(tmp_path / "unit")
    app = create_app(
        standing.store, standing.environment, standing.static_files, local_key=LOCAL_KEY
    )
    with TestClient(app, raise_server_exceptions=False) as client:
        for path in ("/schema", "/schema/openapi.json"):
            assert "openapi" not in client.get(path).text
    standing.store.close()
    assert json.dumps(sorted(served_routes(app))).count("schema") == 0
