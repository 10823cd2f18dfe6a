"""The walk of the canaries through a unit: papers, letters, bookings, exports, recalls, network.

Every request is one that the server does; which are not, `test_canary` names.
"""

from collections.abc import Callable

from api.clinical_rules.examples import EXAMPLES
from api.documents.letter_words import LETTER_KINDS
from api.documents.paper import PAPER_KINDS
from tests.safety.asked_requests import MACHINE, PUBLIC, Asker, Asking
from tests.safety.planted_secrets import Secrets

DAYS = {"from_on": "2026-03-01", "until_on": "2026-04-30"}
# What anybody on the unit's own devices may read, without a question in the address.
READ_BY_TABLETS = (
    *("conflicts", "decisions", "plan-checks", "stock", "closed-days", "clinic-weeks"),
    *("bookings/over", "fhir/visits", "cases/export", "failsafe-list", "calendars"),
)
# What the hub does once a unit has joined, by its name and its digits.
LetIn = Callable[[str, str], object]
READ_BY_PEOPLE = ("quality", "outcomes", "rule-files/network", "recalls/network", "links/network")


def read_app(asking: Asking) -> None:
    """Ask for what everybody may have, as the server describes itself too."""
    for method in ("GET", "HEAD"):
        asking.ask(PUBLIC, f"{method} /")
        asking.ask(PUBLIC, f"{method} /{{path}}", at={"path": "index.html"})
    for address in ("/schema", "/schema/openapi.json", "/api/health"):
        asking.ask(PUBLIC, f"GET {address}")
    asking.ask(PUBLIC, "GET /schema/{path}", at={"path": "openapi.json"})
    for kind, example in EXAMPLES.items():
        asking.ask(PUBLIC, "POST /api/calculate/{kind}", at={"kind": kind}, json=dict(example))
    asking.ask(MACHINE, "GET /metrics")


def print_papers(asking: Asking, tablet: Asker, cases: list[str]) -> None:
    """Print every paper of some cases, and read them as FHIR."""
    for case in cases:
        asking.ask(tablet, "GET /api/fhir/case/{case}", at={"case": case})
        for kind in PAPER_KINDS:
            at, wanted = {"document": kind, "case": case}, {"language": "en"}
            asking.ask(tablet, "GET /api/documents/{document}/{case}", at=at, params=wanted)
            paper = {"document": kind, "case": case}
            asking.ask(tablet, "POST /api/papers", json=paper)


def run_clinic(asking: Asking, tablet: Asker, secrets: Secrets, visits: list[str]) -> None:
    """Propose bookings, write letters, remind, count, and look at who has no next visit."""
    for read in READ_BY_TABLETS:
        asking.ask(tablet, f"GET /api/{read}")
    for read in ("reminders", "follow-up-measures"):
        asking.ask(tablet, f"GET /api/{read}", params=DAYS)
    asking.ask(tablet, "GET /api/follow-up-check", params={"now": "true"})
    ahead = {"today_on": "2026-03-16", "until_on": "2026-04-30", "may_move": True}
    asking.ask(tablet, "POST /api/bookings/propose", json=ahead)
    for kind in LETTER_KINDS:
        asking.ask(tablet, "POST /api/letters", json={"kind": kind, "visits": visits})
    sheet = asking.done(tablet, "GET /api/failsafe-paper")
    signed = {"prepared_by": "staff/s-1", "signed_by": "staff/s-2"}
    content = {**signed, "list_hash": sheet["list_hash"]}
    asking.ask(tablet, "POST /api/failsafe-reviews", json=content)


def feed_calendars(asking: Asking, tablet: Asker, secrets: Secrets, places: list[str]) -> None:
    """Make a feed for every place, read each, and close it."""
    for place in places:
        made = {"scope": "place", "name": place}
        calendar = asking.done(tablet, "POST /api/calendars", json=made)
        secrets.tell("token of a calendar", calendar["token"])
        asking.ask(PUBLIC, "GET /calendar/{name}", at={"name": f"{calendar['token']}.ics"})
        asking.ask(tablet, "GET /api/calendars")
        ended = {"calendar": calendar["id"]}
        asking.ask(tablet, "POST /api/calendar-revocations", json=ended)


def trace_lots(asking: Asking, tablet: Asker, secrets: Secrets, lot: str) -> None:
    """Search for a lot, and write, search and withdraw a notice of the unit."""
    search = {"search": {"lots": [lot]}, "by": "staff/s-1"}
    wanted = {"because": secrets.draw("reason of a search"), "with_letters": True}
    asking.ask(tablet, "POST /api/implants/find", json={**search, **wanted, "with_pdf": True})
    by = {"by": "staff/s-1"}
    notice = {"criteria": {"lots": [lot]}, "item": "coil", "issued_on": "2026-03-10"}
    reason = {"reason": secrets.draw("reason of a notice")}
    told = asking.done(MACHINE, "POST /api/recalls", json={**notice, **reason, **by})
    asking.ask(MACHINE, "POST /api/recall-searches", json=by)
    asking.ask(MACHINE, "POST /api/lot-searches", json={**search, **wanted, "with_pdf": True})
    taken_back = {"record": told["record"], "because": secrets.draw("why it is withdrawn"), **by}
    asking.ask(MACHINE, "POST /api/recall-withdrawals", json=taken_back)


def keep_privacy(
    asking: Asking, manager: Asker, secrets: Secrets, patient: str, *, lost: Asker
) -> None:
    """Give a patient's own export, see what is due and what a tablet held; write a backup."""
    wanted = {"patient": patient, "why": secrets.draw("reason of a patient's export")}
    asking.ask(manager, "POST /api/patient-exports", json=wanted)
    asking.ask(manager, "GET /api/retention")
    moment = {"device": lost.name, "at": "2026-03-16T18:30"}
    asking.ask(MACHINE, "GET /api/held-by", params=moment)
    asking.ask(MACHINE, "GET /api/rule-health")
    target = asking.unit.folder.parent / f"{secrets.draw('name of a backup')}.zip"
    asking.ask(MACHINE, "POST /api/backups", json={"target": str(target)})


def meet_network(asking: Asking, people: dict[str, Asker], link: str, let_in: LetIn) -> None:
    """Join a hub, publish, and read what it asks; the hub lets the unit in meanwhile."""
    line = asking.done(MACHINE, "POST /api/network/joinings", json={"link": link})
    let_in(line["unit"], line["digits"])
    for _ in range(2):
        asking.ask(MACHINE, "POST /api/network/rounds")
    for role in ("endoscopist", "data-manager", "unit-admin"):
        asking.ask(people[role], "GET /api/network/line")
        for read in READ_BY_PEOPLE:
            asking.ask(people[role], f"GET /api/{read}")


def answer_links(asking: Asking, endoscopist: Asker) -> None:
    """Say of each pair that the hub proposes whether it is one person."""
    for link in asking.done(endoscopist, "GET /api/links/network")["proposals"]:
        said = {"proposal": link["proposal"], "answer": "cannot-tell"}
        asking.ask(endoscopist, "POST /api/links/network", json=said)


def answer_network(asking: Asking, people: dict[str, Asker], secrets: Secrets) -> None:
    """Answer recalls and offered rule files of the hub; then leave it."""
    endoscopist = people["endoscopist"]
    for notice in asking.done(endoscopist, "GET /api/recalls/network")["notices"]:
        heeded = {"notice": notice["notice"], "act": "acknowledge"}
        asking.ask(endoscopist, "POST /api/recalls/network", json=heeded)
    for notice in asking.done(endoscopist, "GET /api/recalls/network")["notices"]:
        closed = {"notice": notice["notice"], "seen": notice["seen"]}
        asking.ask(endoscopist, "POST /api/recalls/network-closings", json=closed)
    for offer in asking.done(endoscopist, "GET /api/rule-files/network")["proposals"]:
        said = {"proposal": offer["proposal"], "act": "set-aside"}
        because = secrets.draw("why an offer is set aside")
        content = {**said, "because": because}
        asking.ask(endoscopist, "POST /api/rule-files/network", json=content)
    asking.ask(MACHINE, "POST /api/network/rounds")
    asking.ask(MACHINE, "POST /api/network/leavings")
