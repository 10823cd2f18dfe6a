"""Which request follows which answer at the hub of a network; see `linked_requests`."""

from collections.abc import Iterable

from tests.safety.linked_requests import (
    AGAIN,
    TOLD,
    Link,
    links_between_outcomes,
    links_of_every_server,
)
from tests.unit.api.standing_unit import NOON_MS

NOTICE = {
    "criteria": {"lots": ["VK4417"]},
    "reason": "Coil may break",
    "issued_on": "2026-03-10",
    "item": "coil",
    "to": [],
}
FILE = {"file": "sizing/limits", "version": 1001}
# What the server of a unit tells its hub; the unit is the asker of the walk.
UNIT = "unit-1"
DRAFTS = (
    ("registry_patient/x1", {"unit": UNIT, "sex": "female", "birth_year": 1961}),
    ("registry_patient/x1", {"sex": "male"}),
    ("registry_case/x1", {"unit": UNIT, "patient": "registry_patient/x1"}),
    # Of another unit: it is set aside.
    ("registry_case/told", {"meld": 12}),
)


def _exports() -> Iterable[Link]:
    listed, asked = "GET /api/network/exports", "POST /api/network/exports"
    decided, fetched = "POST /api/network/export-decisions", "GET /api/network/export-files"
    wanted = {"project": "Flow at the end", "purpose": "A register study"}
    export = f"{TOLD}/exports/*/export"
    yield Link(listed, asked, says=wanted)
    yield Link(asked, asked, says=wanted | {"from_on": "2026-01-01", "until_on": "2026-12-31"})
    for after in (listed, asked, decided):
        for decision in ("approve", "refuse"):
            said = {"export": export, "decision": decision, "because": "Agreed"}
            yield Link(after, decided, says=said)
        yield Link(after, fetched, {"export": export})
        yield Link(after, "GET /api/network/export-outlook", {"export": export})
    yield Link(decided, decided, says=AGAIN)
    yield Link(decided, listed)


def _links() -> Iterable[Link]:
    listed, acted = "GET /api/network/links", "POST /api/network/link-acts"
    reasons = {"agree": "", "set-aside": "different-people", "part": "joined-in-error"}
    reasons |= {"take-back": "", "reopen": "new-facts"}
    for state in ("proposed", "joined", "parted"):
        yield Link(listed, listed, {"state": state})
        yield Link(acted, listed, {"state": state})
    for act, because in reasons.items():
        said = {"act": act, "because": because}
        yield Link(listed, acted, says={"link": f"{TOLD}/links/*/link", **said})
        yield Link(acted, acted, says={"link": f"{TOLD}/link/link", **said})


def _recalls() -> Iterable[Link]:
    listed, written = "GET /api/network/recalls", "POST /api/network/recalls"
    counted, ended = "POST /api/network/recall-counts", "POST /api/network/recall-ends"
    sheet = "GET /api/network/recall-csv"
    notice = f"{TOLD}/notices/*/notice"
    asked = {"criteria": NOTICE["criteria"], "item": "coil"}
    for after in (listed, counted):
        yield Link(after, written, says=NOTICE)
    for after in (written, ended):
        yield Link(after, counted, says=asked)
    for after in (listed, written, ended):
        yield Link(after, ended, says={"notice": notice, "because": "Taken back"})
        yield Link(after, sheet, {"notice": notice})
    yield Link(ended, ended, says=AGAIN)
    yield Link(ended, listed)


def _fleet() -> Iterable[Link]:
    fleet, quality = "GET /api/network/fleet", "GET /api/network/quality"
    yield Link(fleet, quality, {"unit": f"{TOLD}/units/*/unit"})
    yield Link(quality, quality, {"unit": f"{TOLD}/units/*/unit"})
    yield Link(quality, fleet)
    aside = "GET /api/network/set-aside"
    yield Link(fleet, aside)
    yield Link(aside, fleet)
    yield Link(fleet, "GET /api/unit-devices")


def _rule_files() -> Iterable[Link]:
    listed, sent = "GET /api/network/rule-files", "POST /api/network/rule-files"
    changes = "GET /api/network/rule-file-changes"
    for after in (listed, sent):
        yield Link(after, sent, says=FILE | {"because": "Agreed in the network"})
        yield Link(after, changes, FILE)
    approved, withdrawn = (
        "POST /api/network/rule-file-approvals",
        "POST /api/network/rule-file-withdrawals",
    )
    text, checked, laid = (
        "GET /api/network/rule-file-text",
        "POST /api/network/rule-file-checks",
        "POST /api/network/rule-file-drafts",
    )
    yield Link(listed, text, {"file": FILE["file"]})
    for after in (text, checked):
        yield Link(after, checked, says={"text": f"{TOLD}/text"} if after == text else AGAIN)
    # Unchanged it is a whole draft of the next number.
    yield Link(text, laid, says={"text": f"{TOLD}/text"})
    for after in (laid, approved):
        yield Link(after, changes, FILE)
        yield Link(after, approved, says=FILE)
        yield Link(after, sent, says=FILE | {"because": "Agreed in the network"})
    yield Link(sent, withdrawn, says=FILE | {"because": "A slip"})
    yield Link(withdrawn, withdrawn, says=AGAIN)
    yield Link(withdrawn, listed)
    yield Link(sent, listed)
    yield Link(changes, listed)


def _unit() -> Iterable[Link]:
    own, met = "GET /api/devices/own", "POST /api/exchange/handshake"
    pushed, pulled = "POST /api/exchange/push", "GET /api/exchange/pull"
    told = "POST /api/network/standing"
    report = {"at_ms": NOON_MS, "build": "1.0+a", "protocol": "rows", "catalogue": 8}
    meeting = {
        "device": UNIT,
        "tip": {"epoch": "ep01", "counter": 0, "hash": ""},
        "cursors": {},
        "catalogue": 8,
        "wall_ms": NOON_MS,
    }
    registry = {"stream": "registry", "after": 0, "limit": 100, "own": False, "rows": False}
    yield Link(own, met, says=meeting)
    yield Link(own, told, says=report)
    yield Link(told, told, says=report | {"at_ms": NOON_MS + 60_000, "cases": 3})
    yield Link(told, pulled, registry | {"record": ""})
    erased = "POST /api/network/erasures"
    yield Link(told, erased, says={"records": [f"registry_patient/{'0' * 32}"]})
    yield Link(erased, erased, says={"records": [f"registry_patient/{'0' * 32}"]})
    yield Link(erased, pulled, registry | {"record": ""})
    for after in (met, pushed):
        for record, fields in DRAFTS:
            yield Link(after, pushed, says={"device": UNIT, "operations": [[record, fields]]})
            yield Link(after, pulled, registry | {"record": record, "own": True})
    yield Link(pushed, met, says=meeting | {"tip": f"{TOLD}/tip"})
    yield Link(pulled, pulled, registry | {"record": "", "after": f"{TOLD}/next"})


def links_of_hub(asker: str) -> dict[str, list[Link]]:
    """Return by job the links between the requests of a hub, as somebody asks them."""
    # At the hub outcomes are for its data manager alone, which no matrix of routes says.
    outcomes = {"outcomes": links_between_outcomes()} if asker == "data-manager" else {}
    return {
        **links_of_every_server(),
        **outcomes,
        "exports": list(_exports()),
        "links": list(_links()),
        "recalls": list(_recalls()),
        "fleet": list(_fleet()),
        "rule files": list(_rule_files()),
        "exchange": list(_unit()),
    }
