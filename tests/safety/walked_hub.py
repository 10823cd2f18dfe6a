"""The walk of the canaries through a hub: units, links, recalls, exports and rule files."""

import httpx

from api.use_cases.receive_resupply import PUT_BACK
from sync.request_signing import write_fingerprint
from tests.safety.asked_requests import MACHINE, PUBLIC, Asker, Asking
from tests.safety.drafting_tablet import Tablet
from tests.safety.filled_records import fill_record
from tests.safety.planted_secrets import Secrets
from tests.unit.api.signing_device import SigningDevice
from tests.unit.api.standing_unit import NOON_MS, StandingUnit
from tests.unit.api.test_access_routes import Chain

ADDRESS = "http://127.0.0.1:8470"
UNIT, FILE = "unit-canary", "sizing/limits"


TOLD_BY_UNITS = ("registry_patient", "registry_case", "registry_implant", "registry_look")
REFERENCES = {"patient": "registry_patient/canary", "case": "registry_case/canary"}


class WatchedLine(httpx.BaseTransport):
    """Carries what a unit sends to the hub, and keeps a copy of it as it travels."""

    def __init__(self, hub: StandingUnit) -> None:
        self._hub = hub
        self.sent: list[str] = []
        self.answered: list[str] = []

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        """Answer one request."""
        content = request.read()
        assert "content-encoding" not in request.headers, "a body that cannot be read here"
        headers = {k: v for k, v in request.headers.items() if k != "authorization"}
        self.sent.append(f"{request.method} {request.url} {headers} {content.decode()}")
        self._hub.client.cookies.clear()
        answer = self._hub.client.request(
            request.method,
            request.url.raw_path.decode(),
            content=content,
            headers=dict(request.headers),
        )
        self.answered.append(f"{request.method} {request.url.path} {answer.status_code}")
        kept = [pair for pair in answer.headers.multi_items() if pair[0] != "content-encoding"]
        return httpx.Response(answer.status_code, headers=kept, content=answer.content)


def let_unit_join(asking: Asking, admin: Asker, secrets: Secrets) -> Asker:
    """Let a unit join that asks the hub as a program of its own."""
    who = asking.join(
        invite_unit(asking, admin, secrets), UNIT, name=secrets.draw("name of a unit")
    )
    secrets.tell("token of a unit", who.headers["authorization"].removeprefix("Bearer "))
    digits = write_fingerprint(SigningDevice(UNIT).key_id)
    asking.ask(admin, "POST /api/confirmations", json={"device": UNIT, "fingerprint": digits})
    return who


def invite_unit(asking: Asking, admin: Asker, secrets: Secrets) -> str:
    """Return the code by which a unit joins."""
    invited = asking.done(admin, "POST /api/invitations", json={"role": "unit"})
    secrets.tell("code of an invitation", invited["code"])
    return str(invited["code"])


def read_server(asking: Asking, people: dict[str, Asker]) -> None:
    """Ask for what everybody may have, and for the lists of devices and outcomes."""
    asking.ask(PUBLIC, "GET /api/health")
    asking.ask(PUBLIC, "GET /schema")
    asking.ask(PUBLIC, "GET /schema/{path}", at={"path": "openapi.json"})
    asking.ask(PUBLIC, "GET /schema/openapi.json")
    asking.ask(PUBLIC, "POST /api/nonces", json={"count": 2})
    asking.ask(MACHINE, "GET /metrics")
    asking.ask(people["unit-admin"], "GET /api/unit-devices")
    for method in ("GET", "HEAD"):
        asking.ask(PUBLIC, f"{method} /")
        asking.ask(PUBLIC, f"{method} /{{path}}", at={"path": "index.html"})
    target = asking.unit.folder.parent / "backup.zip"
    asking.ask(MACHINE, "POST /api/backups", json={"target": str(target)})


def exchange_as_unit(asking: Asking, who: Asker, secrets: Secrets) -> None:
    """Meet the hub as a unit does; tell it of a patient, of the own standing and of erasures."""
    meeting = {
        "device": who.name,
        "tip": {"epoch": "ep01", "counter": 0, "hash": ""},
        "cursors": {},
        "catalogue": 1,
        "wall_ms": NOON_MS,
    }
    asking.ask(who, "GET /api/devices/own")
    asking.ask(who, "POST /api/exchange/handshake", json=meeting)
    own = Tablet(asking.unit, who.name)
    kinds = asking.unit.store.catalogue.kinds
    for kind in TOLD_BY_UNITS:
        fields = fill_record(kinds[kind], secrets.draw, REFERENCES)
        if "unit" in fields:
            fields["unit"] = who.name
        push = own.write(f"{kind}/canary", fields)
        asking.ask(who, "POST /api/exchange/push", json=push)
        own.keep()
    for more in ({"rows": "true"}, {"heads": "all"}, {}):
        asked = {"stream": "registry", **more}
        page = asking.done(who, "GET /api/exchange/pull", params=asked)
    # Only a store that was put back takes its own entries from who read them.
    with asking.unit.store.transaction():
        asking.unit.store.keep_fact(PUT_BACK, str(NOON_MS))
    held = [one[1:] for one in page["operations"]]
    brought = {"device": who.name, "operations": held[:1], "logs": []}
    asking.ask(who, "POST /api/exchange/resupply", json=brought)
    asking.ask(who, "GET /api/exchange/events")
    standing = {"at_ms": NOON_MS, "build": "1.0+a", "protocol": "1", "catalogue": 8}
    asking.ask(who, "POST /api/network/standing", json=standing)
    erased = {"records": [f"registry_patient/{'0' * 32}"]}
    asking.ask(who, "POST /api/network/erasures", json=erased)


def lose_unit(asking: Asking, admin: Asker, who: Asker, secrets: Secrets) -> None:
    """Revoke a unit; what it noted of accesses is still taken."""
    asking.ask(admin, "POST /api/revocations", json={"device": who.name})
    lines = [Chain(who.name).note(why=secrets.draw("reason of an access"))]
    asking.ask(who, "POST /api/access-events", json={"lines": lines})


def keep_rule_files(asking: Asking, people: dict[str, Asker], secrets: Secrets) -> None:
    """Write a version, let two people approve it, and send it to the units."""
    manager = people["data-manager"]
    asking.ask(manager, "GET /api/network/rule-files")
    asked = {"file": FILE}
    text = asking.done(manager, "GET /api/network/rule-file-text", params=asked)["text"]
    for act in ("checks", "drafts"):
        asking.ask(manager, f"POST /api/network/rule-file-{act}", json={"text": text})
    version = {"file": FILE, "version": 1001}
    asking.ask(manager, "GET /api/network/rule-file-changes", params=version)
    for role in ("endoscopist", "data-manager"):
        asking.ask(people[role], "POST /api/network/rule-file-approvals", json=version)
    sent = {**version, "because": secrets.draw("why a rule file is sent")}
    asking.ask(manager, "POST /api/network/rule-files", json=sent)


def withdraw_rule_file(asking: Asking, manager: Asker, secrets: Secrets) -> None:
    """Withdraw what was sent, once the units have answered."""
    because = secrets.draw("why a rule file is withdrawn")
    withdrawn = {"file": FILE, "version": 1001, "because": because}
    asking.ask(manager, "POST /api/network/rule-file-withdrawals", json=withdrawn)


def decide_exports(asking: Asking, people: dict[str, Asker], secrets: Secrets) -> None:
    """Ask for an export, let somebody else approve it, and fetch its files."""
    manager, auditor = people["data-manager"], people["auditor"]
    wanted = {
        "project": secrets.draw("project of an export"),
        "purpose": secrets.draw("purpose of an export"),
    }
    asking.ask(manager, "POST /api/network/exports", json=wanted)
    exports = asking.done(auditor, "GET /api/network/exports")["exports"]
    for number, export in enumerate(exports):
        named = {"export": export["export"]}
        asking.ask(manager, "GET /api/network/export-outlook", params=named)
        decision = {
            **named,
            "decision": "refuse" if number else "approve",
            "because": secrets.draw("why an export is decided"),
        }
        asking.ask(auditor, "POST /api/network/export-decisions", json=decision)
        asking.ask(manager, "GET /api/network/export-files", params=named)


def settle_links(asking: Asking, manager: Asker) -> None:
    """List links in each state, and set every open one aside."""
    for state in ("proposed", "joined", "parted"):
        listed = asking.done(manager, "GET /api/network/links", params={"state": state})
        for link in listed["links"]:
            said = {"link": link["link"], "act": "set-aside", "because": "different-people"}
            asking.ask(manager, "POST /api/network/link-acts", json=said)


def write_recall(asking: Asking, manager: Asker, secrets: Secrets, lot: str) -> str:
    """Count, write and list a recall notice; return its record."""
    criteria = {"criteria": {"lots": [lot]}, "item": "coil"}
    asking.ask(manager, "POST /api/network/recall-counts", json=criteria)
    reason = secrets.draw("reason of a notice of the network")
    notice = {**criteria, "reason": reason, "issued_on": "2026-03-10", "to": []}
    asking.ask(manager, "POST /api/network/recalls", json=notice)
    notices = asking.done(manager, "GET /api/network/recalls")["notices"]
    (written,) = [one for one in notices if one["reason"] == reason]
    return str(written["notice"])


def end_recall(asking: Asking, people: dict[str, Asker], secrets: Secrets, notice: str) -> None:
    """Read who answered a notice, end it, and look at the units and their outcomes."""
    manager = people["data-manager"]
    asking.ask(manager, "GET /api/network/recall-csv", params={"notice": notice})
    ended = {"notice": notice, "because": secrets.draw("why a notice has ended")}
    asking.ask(manager, "POST /api/network/recall-ends", json=ended)
    asking.ask(manager, "GET /api/network/set-aside")
    units = asking.done(manager, "GET /api/network/fleet")["units"]
    for unit in units:
        asking.ask(manager, "GET /api/network/quality", params={"unit": unit["unit"]})
        asking.ask(manager, "GET /api/outcomes", params={"unit": unit["unit"]})
