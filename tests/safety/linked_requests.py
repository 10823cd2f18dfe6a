"""Which request follows which answer: links of the described interface, as OpenAPI has them.

The servers' description says nothing of order, and needs not: that is written here. Each chain
makes something, reads it back, changes it, ends it, and tries to end it once more. In a body or
parameter, `$response.body#/...` is taken from the answer before, `*` is any part of a list.
"""

from collections.abc import Iterable
from copy import deepcopy
from typing import Any, NamedTuple

from api.clinical_rules.examples import EXAMPLES
from tests.unit.api.desk_person import PASSWORD
from tests.unit.api.signing_device import SigningDevice

NEW_DEVICE = "tablet-new"
NEW_PASSWORD = "seven quiet herons at low tide"
TOLD = "$response.body#"
SENT = "$request.body#"
AGAIN = "$request.body"
ANY_ACCESS = dict.fromkeys(("patient", "person", "device", "from_on", "to_on"), "")
# Stands for the code that the app of the person shows when it is sent.
CODE_NOW = "code-now"
# What a new device sends beside the code of its invitation.
JOINING = {
    "device": NEW_DEVICE,
    "name": "Tablet of Room 5",
    "key": SigningDevice(NEW_DEVICE).key_text,
    "epoch": "ep01",
}


class Link(NamedTuple):
    """One request that follows another; ``asks`` are its parameters, ``says`` its body."""

    after: str
    then: str
    asks: dict[str, Any] = {}  # noqa: RUF012  never changed
    says: dict[str, Any] | None = None


def _devices() -> Iterable[Link]:
    listed, invited = "GET /api/unit-devices", "POST /api/invitations"
    joined, confirmed = "POST /api/devices", "POST /api/confirmations"
    revoked = "POST /api/revocations"
    digits = {"device": f"{TOLD}/device", "fingerprint": f"{TOLD}/fingerprint"}
    for role in ("bedside", "booking", "unit"):
        yield Link(listed, invited, says={"role": role})
    yield Link(listed, revoked, says={"device": f"{TOLD}/devices/*/id"})
    yield Link(invited, joined, says={"code": f"{TOLD}/code", **JOINING})
    yield Link(joined, joined, says={"code": f"{SENT}/code", **JOINING})
    yield Link(joined, confirmed, says=digits)
    yield Link(joined, revoked, says={"device": f"{TOLD}/device", "is_lost": True})
    yield Link(joined, listed)
    yield Link(confirmed, confirmed, says=AGAIN)
    yield Link(confirmed, revoked, says={"device": f"{TOLD}/device"})
    yield Link(confirmed, listed)
    yield Link(revoked, revoked, says={"device": f"{SENT}/device", "is_lost": True})
    yield Link(revoked, invited, says={"role": "bedside"})
    yield Link(revoked, listed)


def _people() -> Iterable[Link]:
    listed, added = "GET /api/unit/staff", "POST /api/unit/staff"
    changed, coded = "POST /api/unit/staff-changes", "POST /api/staff-codes"
    first = "POST /api/session-first"
    yield Link(listed, added, says={"name": "Una Fell", "role": "assistant"})
    yield Link(listed, changed, says={"staff": f"{TOLD}/people/*/staff", "change": "leave"})
    yield Link(added, listed)
    changes = {"role": {"role": "booking"}, "leave": {}, "return": {}, "end-log-ins": {}}
    for change, more in changes.items():
        held = {"change": change, **more}
        yield Link(added, changed, says={"staff": f"{TOLD}/added", **held})
        yield Link(changed, changed, says={"staff": f"{SENT}/staff", **held})
    for opens in ("tablet", "log-in"):
        yield Link(added, coded, says={"staff": f"{TOLD}/added", "opens": opens})
        yield Link(changed, coded, says={"staff": f"{SENT}/staff", "opens": opens})
    yield Link(coded, first, says={"code": f"{TOLD}/code", "password": NEW_PASSWORD})
    yield Link(coded, changed, says={"staff": f"{TOLD}/staff", "change": "leave"})
    yield Link(first, first, says={"code": f"{SENT}/code", "password": NEW_PASSWORD})
    yield Link(
        first,
        "POST /api/session",
        says={"login": f"{TOLD}/login", "password": f"{SENT}/password"},
    )
    yield Link(changed, listed)


def _sessions() -> Iterable[Link]:
    own, listed, ended = "GET /api/session", "GET /api/sessions", "POST /api/session-ends"
    renewed = "POST /api/session-password"
    new = {"password": PASSWORD, "new_password": NEW_PASSWORD, "code": CODE_NOW}
    back = {"password": NEW_PASSWORD, "new_password": PASSWORD, "code": CODE_NOW}
    yield Link(own, listed)
    yield Link(own, renewed, says=new)
    yield Link(listed, own)
    yield Link(listed, renewed, says=new)
    one = {"password": PASSWORD, "session": f"{TOLD}/sessions/*/session"}
    yield Link(listed, ended, says=one)
    yield Link(listed, ended, says={"password": PASSWORD})
    yield Link(ended, ended, says=AGAIN)
    yield Link(ended, listed)
    yield Link(renewed, renewed, says=back)
    yield Link(renewed, own)
    yield Link(renewed, listed)


def _access() -> Iterable[Link]:
    found = "GET /api/access-events"
    for part in ({"person": "who"}, {"patient": "records/0"}, {"device": "device"}):
        wanted = {name: f"{TOLD}/events/*/{value}" for name, value in part.items()}
        yield Link(found, found, ANY_ACCESS | wanted)


def links_between_outcomes() -> list[Link]:
    """Return the links from outcomes to those of a period and a unit."""
    outcomes = "GET /api/outcomes"
    days = {"from_on": f"{TOLD}/from_on", "until_on": f"{TOLD}/until_on"}
    return [
        Link(outcomes, outcomes, {**days, "unit": "", "mix": ""}),
        Link(outcomes, outcomes, {**days, "unit": f"{TOLD}/units/*/unit", "mix": ""}),
    ]


def _for_everybody() -> Iterable[Link]:
    health, drawn = "GET /api/health", "POST /api/nonces"
    yield Link(health, drawn, says={"count": 2})
    yield Link(drawn, drawn, says={"count": 16})
    yield Link(drawn, health)
    yield Link("GET /api/devices/own", drawn, says={"count": 1})


def _calculations() -> Iterable[Link]:
    calculated = "POST /api/calculate/{kind}"
    for kind, example in EXAMPLES.items():
        yield Link("GET /api/health", calculated, {"kind": kind}, dict(example))
        yield Link(calculated, calculated, {"kind": kind}, dict(example))


def links_of_every_server() -> dict[str, list[Link]]:
    """Return by job the links between requests that a unit and a hub both answer."""
    return {
        "devices": list(_devices()),
        "people": list(_people()),
        "log-ins": list(_sessions()),
        "access": list(_access()),
    }


def links_of_anybody() -> dict[str, list[Link]]:
    """Return the links between requests that nobody is refused, as one job."""
    return {"anybody": [*_for_everybody(), *_calculations()]}


def describe_links(description: dict[str, Any], links: Iterable[Link]) -> dict[str, Any]:
    """Return the description of the requests that are linked, with the links in it."""
    links = list(links)
    named = {request for link in links for request in (link.after, link.then)}
    paths: dict[str, Any] = {}
    for request in sorted(named):
        method, path = request.split(" ")
        described = description["paths"][path][method.lower()]
        paths.setdefault(path, {})[method.lower()] = deepcopy(described)
    for number, link in enumerate(links):
        method, path = link.then.split(" ")
        told: dict[str, Any] = {
            "operationRef": f"#/paths/{path.replace('/', '~1')}/{method.lower()}",
            "parameters": link.asks,
            # So marked, a `*` is read as any part of a list.
            "x-schemathesis": {"is_inferred": True, "merge_body": False},
        }
        if link.says is not None:
            told["requestBody"] = link.says
        method, path = link.after.split(" ")
        for status, response in paths[path][method.lower()]["responses"].items():
            if status.startswith("2"):
                response.setdefault("links", {})[str(number)] = told
    return {**description, "paths": paths}
