"""Which request follows which answer at a unit; see `linked_requests`."""

from collections.abc import Iterable

from tests.safety.care_canaries import LOT, PATIENT, VISIT
from tests.safety.linked_requests import (
    AGAIN,
    ANY_ACCESS,
    JOINING,
    SENT,
    TOLD,
    Link,
    links_between_outcomes,
    links_of_every_server,
)
from tests.unit.api.standing_unit import NOON_MS


def _calendars() -> Iterable[Link]:
    made, ended, listed = (
        "POST /api/calendars",
        "POST /api/calendar-revocations",
        "GET /api/calendars",
    )
    yield Link(listed, made, says={"scope": "place", "name": "Room 4"})
    yield Link(listed, ended, says={"calendar": f"{TOLD}/calendars/*/id"})
    yield Link(made, listed)
    yield Link(made, ended, says={"calendar": f"{TOLD}/id"})
    yield Link(ended, ended, says={"calendar": f"{SENT}/calendar"})
    yield Link(ended, listed)


def _device_changes() -> Iterable[Link]:
    listed, invited = "GET /api/unit-devices", "POST /api/invitations"
    joined, refused = "POST /api/devices", "POST /api/recovery-refusals"
    named = "POST /api/device-names"
    of_a_device = {"device": f"{TOLD}/devices/*/id"}
    yield Link(listed, named, says=of_a_device | {"name": "Tablet of Room 6"})
    yield Link(named, named, says={"device": f"{SENT}/device", "name": "Tablet of Room 7"})
    yield Link(named, listed)
    yield Link(listed, refused, says=of_a_device)
    yield Link(listed, invited, says={"role": "bedside"})
    yield Link(invited, joined, says={"code": f"{TOLD}/code", **JOINING, "for_recovery": True})
    yield Link(joined, refused, says={"device": f"{TOLD}/device"})
    yield Link(refused, refused, says=AGAIN)
    yield Link(refused, listed)


def _quality() -> Iterable[Link]:
    quality, outcomes = "GET /api/quality", "GET /api/outcomes"
    yield Link(quality, outcomes, dict.fromkeys(("from_on", "until_on", "unit", "mix"), ""))
    yield Link(outcomes, quality)
    yield from links_between_outcomes()


def _patients() -> Iterable[Link]:
    given = "POST /api/patient-exports"
    asked = {"patient": PATIENT, "why": "The patient asks for a copy"}
    named = {"patient": f"{TOLD}/to_mend/*/patient"}
    yield Link("GET /api/retention", given, says=asked)
    yield Link("GET /api/quality", given, says=asked | named)
    yield Link(given, given, says=asked)
    yield Link(given, "GET /api/access-events", ANY_ACCESS | {"patient": f"{SENT}/patient"})


def _recalls() -> Iterable[Link]:
    listed, answered = "GET /api/recalls/network", "POST /api/recalls/network"
    closed = "POST /api/recalls/network-closings"
    shown = {"notice": f"{TOLD}/notices/*/notice", "seen": f"{TOLD}/notices/*/seen"}
    for after in (listed, answered, closed):
        said = {"notice": f"{TOLD}/notices/*/notice", "act": "acknowledge"}
        yield Link(after, answered, says=said)
        yield Link(after, closed, says=shown)
    yield Link(answered, answered, says=AGAIN)
    yield Link(answered, listed)
    yield Link(closed, listed)
    yield Link("GET /api/network/line", listed)


def _links() -> Iterable[Link]:
    listed, answered = "GET /api/links/network", "POST /api/links/network"
    for after in (listed, answered):
        for answer in ("same", "not-same", "cannot-tell"):
            said = {"proposal": f"{TOLD}/proposals/*/proposal", "answer": answer}
            yield Link(after, answered, says=said)
    yield Link(answered, answered, says=AGAIN)
    yield Link(answered, listed)


def _offers() -> Iterable[Link]:
    listed, answered = "GET /api/rule-files/network", "POST /api/rule-files/network"
    for after in (listed, answered):
        for act in ("take", "set-aside", "approve", "retire"):
            named = {"proposal": f"{TOLD}/proposals/*/proposal", "act": act}
            yield Link(after, answered, says=named | {"because": "Ours is newer"})
    yield Link(answered, answered, says=AGAIN)
    yield Link(answered, listed)


def _written(device: str) -> Iterable[Link]:
    """Yield the links by which a device meets the unit and writes, one entry after another."""
    met, pushed = "POST /api/exchange/handshake", "POST /api/exchange/push"
    meeting = {
        "device": device,
        "tip": {"epoch": "ep01", "counter": 0, "hash": ""},
        "cursors": {},
        "catalogue": 8,
        "wall_ms": NOON_MS,
    }
    yield Link("GET /api/devices/own", met, says=meeting)
    yield Link(pushed, met, says=meeting | {"tip": f"{TOLD}/tip"})
    for after in (met, pushed):
        for record, fields in DRAFTS:
            yield Link(after, pushed, says={"device": device, "operations": [[record, fields]]})


def _exchange(device: str) -> Iterable[Link]:
    met, pushed = "POST /api/exchange/handshake", "POST /api/exchange/push"
    pulled, snapshot = "GET /api/exchange/pull", "GET /api/exchange/snapshot"
    page = {"after": 0, "limit": 100, "own": True, "record": "", "rows": False}
    yield Link(pushed, "POST /api/exchange/resupply", says={"device": device, "logs": []})
    for stream in ("booking", "care", "unit"):
        yield Link(met, pulled, page | {"stream": stream, "rows": True})
        yield Link(met, snapshot, {"stream": stream})
    for record, _ in DRAFTS[:1]:
        yield Link(pushed, pulled, page | {"stream": "booking", "record": record})
    further = {"stream": "$request.query.stream", "after": f"{TOLD}/next"}
    yield Link(pulled, pulled, page | further)
    digest = {"digest": f"{TOLD}/segments/*/digest"}
    yield Link(snapshot, "GET /api/exchange/snapshot/{digest}", digest)
    yield Link(snapshot, pulled, page | {"stream": f"{TOLD}/stream"})
    for read in ("conflicts", "decisions", "plan-checks", "stock", "devices", "fhir/visits"):
        yield Link(pushed, f"GET /api/{read}")


# What the device of a walk writes down: it is sealed and signed when it is sent.
DRAFTS = (
    (VISIT, {"status": "no-show"}),
    (VISIT, {"status": "cancelled", "cancelled_by": "patient"}),
    (VISIT, {"status": "booked"}),
    ("visit/v-2", {"patient": PATIENT, "label": "Second look", "status": "to-book"}),
    ("visit/v-2", {"status": "ended", "ended_because": "declined"}),
    (PATIENT, {"phone": "01632 960 077"}),
    ("contact_attempt/a-1", {"visit": VISIT, "how": "phone", "result": "no-answer"}),
    ("clinic_session/s-1", {"capacity": 0, "closed_because": "room-closed"}),
    ("case/c-1", {"stage": "closed"}),
)


def _clinic() -> Iterable[Link]:
    pushed = "POST /api/exchange/push"
    proposed, letters = "POST /api/bookings/propose", "POST /api/letters"
    reminders, weeks, over = "GET /api/reminders", "GET /api/clinic-weeks", "GET /api/bookings/over"
    measures = "GET /api/follow-up-measures"
    days = {"from_on": "2026-03-01", "until_on": "2026-04-30"}
    ahead = {"today_on": "2026-03-16", "until_on": "2026-04-30"}
    for after in (pushed, weeks, over):
        yield Link(after, proposed, says=ahead | {"may_move": True})
    for kind in ("appointment", "moved", "cancelled", "missed", "please_call"):
        yield Link(pushed, letters, says={"kind": kind, "visits": [VISIT]})
    named = {"kind": "appointment", "visits": [f"{TOLD}/proposals/*/visit"]}
    yield Link(proposed, letters, says=named)
    yield Link(proposed, over)
    yield Link(letters, letters, says=AGAIN)
    yield Link(letters, reminders, days)
    yield Link(pushed, reminders, days)
    yield Link(reminders, reminders, {"from_on": f"{TOLD}/from_on", "until_on": f"{TOLD}/until_on"})
    yield Link(pushed, weeks, {"place": "Room 4"})
    yield Link(pushed, over)
    yield Link(pushed, measures, days)
    yield Link(measures, measures, {"from_on": f"{TOLD}/from_on", "until_on": f"{TOLD}/until_on"})
    yield Link("GET /api/closed-days", weeks)


def _care() -> Iterable[Link]:
    pushed, found = "POST /api/exchange/push", "POST /api/implants/find"
    check, case = "GET /api/follow-up-check", "GET /api/fhir/case/{case}"
    failsafe, signed = "GET /api/failsafe-list", "POST /api/failsafe-reviews"
    paper, document = "POST /api/papers", "GET /api/documents/{document}/{case}"
    by = {"prepared_by": "staff/s-1", "signed_by": "staff/s-2"}
    search = {"search": {"lots": [LOT]}, "by": "staff/s-1", "because": "Recall notice"}
    for after in (failsafe, "GET /api/failsafe-paper"):
        yield Link(after, signed, says={**by, "list_hash": f"{TOLD}/list_hash"})
    yield Link(signed, signed, says={**by, "list_hash": f"{TOLD}/list_hash"})
    yield Link(signed, "GET /api/failsafe-paper")
    yield Link(signed, failsafe)
    yield Link(pushed, failsafe)
    yield Link(pushed, check, {"now": True})
    for after in (pushed, found):
        yield Link(after, found, says=search | {"with_letters": True})
    yield Link(found, case, {"case": "c-1"})
    yield Link(check, case, {"case": "c-1"})
    yield Link(pushed, case, {"case": "c-1"})
    for kind in ("procedure-report", "patient-leaflet"):
        yield Link(pushed, paper, says={"document": kind, "case": "c-1"})
        yield Link(paper, document, {"document": kind, "case": "c-1", "language": "en"})
    yield Link(pushed, "GET /api/cases/export")


def links_of_unit(asker: str) -> dict[str, list[Link]]:
    """Return by job the links between the requests of a unit, as somebody asks them."""
    written = list(_written(f"{asker}-1"))
    return {
        **links_of_every_server(),
        "device changes": list(_device_changes()),
        "quality": list(_quality()),
        "patients": list(_patients()),
        "calendars": list(_calendars()),
        "recalls": list(_recalls()),
        "links": list(_links()),
        "offers": list(_offers()),
        "exchange": [*written, *_exchange(f"{asker}-1")],
        "clinic": [*written, *_clinic()],
        "care": [*written, *_care()],
    }
