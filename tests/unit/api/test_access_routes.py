"""Access events over HTTP: what devices hand in, who may search, and what is noted of requests."""

import json
from pathlib import Path

import httpx
import msgspec
import pytest

from api.routes.refusal_notes import MOST_KINDS, RefusalNotes
from api.storage.access_log import AccessEvent, hash_line
from api.use_cases.note_access import NO_RECORD
from api.use_cases.receive_access import MOST_LINES, MOST_MISSING, DeviceLine
from api.use_cases.verify_log import verify_log
from tests.unit.api.clinic_story import Story
from tests.unit.api.standing_unit import LOCAL_KEY, NOON_MS, StandingUnit, assert_problem

ROOT = Path(__file__).resolve().parents[3]
# What a list names that holds all of the unit, and one that holds nobody (AU9).
EVERYBODY = ["patient/p-1", "patient/p-2", "case/c-1"]
NOBODY = [NO_RECORD]
MACHINE = {"authorization": f"Bearer {LOCAL_KEY}"}


@pytest.fixture
def unit(tmp_path):
    with StandingUnit(tmp_path).serving() as serving:
        story = Story(serving.store, now_ms=NOON_MS)
        with serving.store.transaction():
            story.write("staff/w", name="Dr Wren Quillfeather", role="endoscopist", active=True)
            story.write("patient/p-1", family_name="Greyfen", local_id="TH-0042")
            story.write("patient/p-2", family_name="Otherly")
            story.write("case/c-1", patient="patient/p-1", stage="closed")
        yield serving


@pytest.fixture
def tablet(unit):
    return unit.join("tablet-a")


class Chain:
    """What a tablet notes: lines that each name the one before."""

    def __init__(self, device="tablet-a", chain="ch01"):
        self.device, self.chain, self.texts, self.before = device, chain, [], ""

    def note(self, **parts):
        line = DeviceLine(
            **{
                "device": self.device,
                "chain": self.chain,
                "counter": len(self.texts) + 1,
                "previous": self.before,
                "at_ms": NOON_MS - 3_600_000,
                "person": "staff/w",
                "role": "endoscopist",
                "verb": "read",
                "object": "patient",
                "records": ("patient/p-1",),
                "why": "",
                "outcome": "done",
                **parts,
            }
        )
        text = msgspec.json.encode(line).decode()
        self.before = hash_line(text)
        self.texts.append(text)
        return text


def _send(unit, headers, lines):
    return unit.client.post("/api/access-events", json={"lines": lines}, headers=headers)


def _noted(unit):
    with unit.store.transaction():
        return list(unit.store.access.lines())


def test_a_device_hands_in_its_lines_once_and_is_told_what_it_may_drop(unit, tablet):
    """[AU4] The planted bug it has caught: lines sent again were taken in again."""
    chain = Chain()
    lines = [chain.note(), chain.note(verb="unlock", object="tablet", outcome="wrong", records=())]

    first = _send(unit, tablet, lines)
    again = _send(unit, tablet, lines)

    assert first.status_code == again.status_code == 200, first.text
    assert first.json() == again.json() == {"chain": "ch01", "held": 2}
    events = [line for line in _noted(unit) if line.device]
    assert [(one.who, one.verb, one.outcome) for one in events] == [
        ("staff/w", "read", "done"),
        ("staff/w", "unlock", "wrong"),
    ]
    assert events[0].told == f"ch01.1#{hash_line(lines[0])[:16]}"
    assert (events[0].at_ms, events[0].noted_ms) == (NOON_MS - 3_600_000, NOON_MS)
    assert verify_log(unit.store).findings == ()


def test_a_gap_and_a_line_that_does_not_follow_are_told_and_nothing_is_lost(unit, tablet):
    """[AU4]"""
    chain = Chain()
    lines = [chain.note(why=str(number)) for number in range(4)]
    assert _send(unit, tablet, lines[:1]).json()["held"] == 1

    assert _send(unit, tablet, lines[2:3]).json()["held"] == 3
    other = Chain()
    other.texts, other.before = ["", "", ""], "0" * 64
    assert _send(unit, tablet, [other.note(why="other")]).json()["held"] == 4
    assert _send(unit, tablet, lines[3:4]).json()["held"] == 4

    breaks = [one.why for one in _noted(unit) if one.verb == "break-of-chain"]
    assert breaks == [
        "ch01.2 to 2 never came",
        "ch01.4 does not follow 3",
        "ch01.4 came in two versions",
    ]
    assert [one.why for one in _noted(unit) if one.device] == ["0", "2", "other", "3"]


def test_no_line_is_dropped_because_a_later_one_came_first(unit, tablet):
    """[AU4] The planted bugs it has caught: a second version of a line before the last was dropped,
    and after one line with a large number each true one counted as held.
    """
    true = [(chain := Chain()).note(why="1"), chain.note(why="2"), chain.note(why="3")]
    assert _send(unit, tablet, true).json()["held"] == 3
    second = Chain()
    versions = [second.note(why="1"), second.note(why="2 changed")]
    assert _send(unit, tablet, versions[1:]).json()["held"] == 3

    far = Chain(chain="ch02")
    ahead = far.note(counter=MOST_MISSING, why="ahead")
    behind = [(late := Chain(chain="ch02")).note(why="true"), late.note(why="true too")]
    assert _send(unit, tablet, [ahead]).json()["held"] == MOST_MISSING
    for _ in range(2):
        assert _send(unit, tablet, behind).json()["held"] == MOST_MISSING

    told = [one.why for one in _noted(unit) if one.device]
    assert told == ["1", "2", "3", "2 changed", "ahead", "true", "true too"]
    breaks = [one.why for one in _noted(unit) if one.verb == "break-of-chain"]
    assert breaks == [
        "ch01.2 came in two versions",
        f"ch02.1 to {MOST_MISSING - 1} never came",
        "ch02.1 came late",
        "ch02.2 came late",
    ]
    assert verify_log(unit.store).findings == ()


def test_another_devices_line_at_the_same_place_is_not_taken_for_this_ones(unit, tablet):
    """[AU4]"""
    other = unit.join("tablet-b")
    ahead = Chain().note(counter=2)
    for headers, device in ((tablet, "tablet-a"), (other, "tablet-b")):
        assert _send(unit, headers, [ahead.replace("tablet-a", device)]).json()["held"] == 2
    assert _send(unit, tablet, [Chain().note()]).json()["held"] == 2
    assert _send(unit, other, [Chain("tablet-b").note()]).json()["held"] == 2

    assert [one.device for one in _noted(unit) if one.device] == ["tablet-a", "tablet-b"] * 2


@pytest.mark.parametrize(
    ("counter", "words"),
    [
        (MOST_MISSING, ""),
        (MOST_MISSING + 1, "lines ahead of 0"),
        (10**15, "lines ahead of 0"),
        (2**53, "no line of accesses"),
        (2**63, "no line of accesses"),
    ],
)
def test_a_number_that_no_tablet_reaches_is_refused(unit, tablet, counter, words):
    """[AU4]"""
    answer = _send(unit, tablet, [Chain().note(counter=counter)])

    if not words:
        assert answer.status_code == 200, answer.text
        return
    assert_problem(answer, 422, words)
    assert _noted(unit) == []


def test_nothing_is_taken_in_that_is_no_line_of_this_device(unit, tablet):
    """[AU4]"""
    mine, foreign = Chain(), Chain("tablet-b")
    for lines, words in (
        ([foreign.note()], "was not noted on tablet-a"),
        ([mine.note(), "{}"], "no line of accesses"),
        ([mine.note(), Chain(chain="ch02").note()], "or of two"),
        ([], "of no chain"),
        ([mine.note(why="x" * 600)], "no line of accesses"),
    ):
        assert_problem(_send(unit, tablet, lines), 422, words)
    assert_problem(_send(unit, {}, [mine.note()]), 401)
    assert _noted(unit) == []


def test_a_refusal_is_noted_with_who_was_refused(unit, tablet):
    """[AU7] [SEC-21] The planted bug it has caught: the guard refused without a word."""
    assert unit.client.get("/api/access-events", headers=tablet).status_code == 403
    assert unit.client.get("/api/cases/export").status_code == 401
    stolen = {"authorization": "Bearer somebody-elses"}
    assert unit.client.get("/api/cases/export", headers=stolen).status_code == 401
    unsigned = unit.client.get("/api/cases/export", headers=tablet, auth=httpx.Auth())
    assert unsigned.status_code == 401

    noted = [(one.asker, one.who, one.verb, one.object, one.outcome) for one in _noted(unit)]
    assert noted == [
        ("device", "tablet-a", "read", "access-events", "refused"),
        ("public", "", "export", "cases", "wrong"),
    ]


def test_a_flood_of_refusals_fills_no_disk(unit, tablet):
    """[AU7] The planted bugs it has caught: a line for each; a count that nobody wrote."""
    for _ in range(30):
        unit.client.get("/api/access-events", headers=tablet)
    assert len(_noted(unit)) == 1
    other = unit.join("tablet-b")
    unit.client.get("/api/access-events", headers=other)
    assert len(_noted(unit)) == 2

    unit.environment.moved["ms"] += 59_999
    unit.client.get("/api/retention", headers=tablet)
    assert len(_noted(unit)) == 3
    unit.environment.moved["ms"] += 1
    unit.client.get("/api/access-events", headers=tablet)
    last = _noted(unit)[3:]
    assert [(one.who, one.object, one.why) for one in last] == [
        ("tablet-a", "access-events", "29 more within a minute"),
        ("tablet-a", "access-events", ""),
    ]
    assert last[0].at_ms == NOON_MS
    assert last[0].noted_ms == NOON_MS + 60_000


def test_what_was_counted_is_written_when_the_server_stops(tmp_path):
    """[AU7]"""
    unit = StandingUnit(tmp_path)
    close, unit.store.close = unit.store.close, lambda: None
    with unit.serving():
        tablet = unit.join("tablet-a")
        for _ in range(3):
            unit.client.get("/api/access-events", headers=tablet)
    assert [one.why for one in _noted(unit)] == ["", "2 more within a minute"]
    close()


def test_many_kinds_of_refusals_take_no_more_memory(unit):
    """[AU7]"""
    notes = RefusalNotes(unit.store, unit.environment)
    for number in range(2 * MOST_KINDS + 1):
        event = AccessEvent(
            at_ms=NOON_MS, asker="device", who=f"d-{number}", verb="read", object="x"
        )
        notes.note(event)
        notes.note(event)
    assert len(notes._minutes) <= MOST_KINDS
    notes.close()
    assert len(_noted(unit)) == 2 * (2 * MOST_KINDS + 1)


def test_wrong_codes_and_digits_are_noted(unit, tablet):
    """[AU7] The planted bug it has caught: the note went with the transaction of what failed."""
    wrong = {"code": "AAAA-BBBB-CCCC-DDDD"}
    assert (
        unit.client.post("/api/staff-codes/redeem", json=wrong, headers=tablet).status_code == 403
    )
    first = {**wrong, "password": "violet kettle orbit sand"}
    page = {"sec-fetch-site": "same-origin"}
    assert unit.client.post("/api/session-first", json=first, headers=page).status_code == 403
    unit.join("tablet-w", is_trusted=False)
    for device in ("tablet-w", "Greyfen typed here"):
        digits = {"device": device, "fingerprint": "000000"}
        answer = unit.client.post("/api/confirmations", json=digits, headers=MACHINE)
        assert answer.status_code == 403, answer.text

    noted = [(one.asker, one.who, one.verb, one.object, one.device) for one in _noted(unit)]
    assert noted == [
        ("device", "tablet-a", "redeem", "staff-codes", ""),
        ("public", "", "set-up", "staff-codes", ""),
        ("machine", "", "confirm", "unit-devices", "tablet-w"),
    ]
    assert {one.outcome for one in _noted(unit)} == {"wrong"}


def test_a_device_that_was_revoked_still_hands_in_what_it_noted(unit, tablet):
    """[AU4] [EX12]"""
    answer = unit.client.post(
        "/api/revocations", json={"device": "tablet-a", "is_lost": False}, headers=MACHINE
    )
    assert answer.status_code == 201, answer.text

    assert _send(unit, tablet, [Chain().note()]).status_code == 200


def test_more_lines_than_one_request_may_carry_are_refused(unit, tablet):
    """[AU4]"""
    chain = Chain()
    lines = [chain.note(records=()) for _ in range(MOST_LINES + 1)]
    assert _send(unit, tablet, lines[:MOST_LINES]).json()["held"] == MOST_LINES
    assert _send(unit, tablet, lines).status_code == 422


def test_the_trail_is_searched_by_patient_person_device_and_day(unit, tablet):
    """[AU4] [PRIV-02] A case of the patient counts as the patient."""
    chain = Chain()
    lines = [
        chain.note(),
        chain.note(records=("case/c-1",), object="case", person="staff/x"),
        chain.note(records=("patient/p-2",)),
        chain.note(records=("patient/p-1",), at_ms=NOON_MS - 5 * 86_400_000),
    ]
    _send(unit, tablet, lines)

    def found(**asked):
        answer = unit.client.get("/api/access-events", params=asked, headers=MACHINE)
        assert answer.status_code == 200, answer.text
        # The search itself stands in the trail too.
        return [one for one in answer.json()["events"] if one["verb"] != "search"]

    assert len(found()) == 4
    assert [one["seq"] for one in found(patient="patient/p-1")] == [4, 2, 1]
    assert len(found(person="staff/w")) == 3
    assert len(found(person="staff/w", patient="patient/p-2")) == 1
    assert len(found(device="tablet-a")) == 4
    assert found(device="tablet-b") == []
    day = "2026-09-21"
    # By the day on which it happened, and by the one on which it was noted here.
    assert len(found(from_on=day, to_on=day)) == 4
    assert len(found(from_on="2026-09-16", to_on="2026-09-16")) == 1
    assert len(found(to_on="2026-09-20")) == 1
    answer = unit.client.get("/api/access-events", headers=MACHINE)
    assert answer.json()["names"] == {"staff/w": "Dr Wren Quillfeather"}
    assert_problem(
        unit.client.get("/api/access-events?from_on=yesterday", headers=MACHINE), 422, "is no day"
    )


def test_a_device_may_not_search_the_trail(unit, tablet):
    """[AU4] [SEC-21]"""
    assert_problem(unit.client.get("/api/access-events", headers=tablet), 403)
    assert_problem(unit.client.get("/api/access-events"), 401)


@pytest.mark.parametrize(
    ("method", "path", "content", "verb", "thing", "records"),
    [
        ("GET", "/api/documents/procedure-report/c-1", None, "read", "paper", ["case/c-1"]),
        (
            "POST",
            "/api/papers",
            {"document": "procedure-report", "case": "c-1"},
            "read",
            "paper",
            ["case/c-1"],
        ),
        ("GET", "/api/fhir/case/c-1", None, "export", "case", ["case/c-1"]),
        ("GET", "/api/fhir/visits", None, "export", "visits", []),
        ("GET", "/api/cases/export", None, "export", "cases", EVERYBODY),
        ("GET", "/api/failsafe-list", None, "read", "failsafe-list", NOBODY),
        ("GET", "/api/failsafe-paper", None, "export", "failsafe-list", NOBODY),
        ("GET", "/api/reminders", None, "read", "reminders", []),
        (
            "GET",
            # Made anew: the check of the start may come before or after the story is written.
            "/api/follow-up-check?now=true",
            None,
            "read",
            "follow-up-check",
            ["patient/p-1", "case/c-1"],
        ),
        (
            "POST",
            "/api/implants/find",
            {"search": {"lots": ["L-1"]}, "by": "staff/w", "because": "recall"},
            "search",
            "implants",
            NOBODY,
        ),
        (
            "POST",
            "/api/letters",
            {"kind": "appointment", "visits": ["visit/v-1"]},
            "export",
            "letters",
            ["visit/v-1"],
        ),
    ],
)
def test_what_is_handed_out_is_noted_first(
    unit, tablet, method, path, content, verb, thing, records
):
    """[AU5] [PRIV-02] The planted bug it has caught: a paper given without a note."""
    unit.client.request(method, path, json=content, headers=tablet)

    (event,) = _noted(unit)
    assert (event.asker, event.who, event.role) == ("device", "tablet-a", "bedside")
    assert (event.verb, event.object, list(event.records)) == (verb, thing, records)
    assert "Greyfen" not in json.dumps(msgspec.to_builtins(event))


LONG = "x" * 2_000


@pytest.mark.parametrize(
    ("method", "path", "content"),
    [
        ("GET", f"/api/documents/procedure-report/{LONG}", None),
        ("GET", "/api/documents/procedure-report/Greyfen%20Ann", None),
        ("GET", f"/api/documents/{LONG}/c-1", None),
        ("GET", f"/api/fhir/case/{LONG}", None),
        ("GET", "/api/fhir/case/Greyfen%20Ann", None),
        ("POST", "/api/papers", {"document": "procedure-report", "case": LONG}),
        ("POST", "/api/papers", {"document": "Greyfen", "case": "c-1"}),
        ("POST", "/api/letters", {"kind": "appointment", "visits": [LONG]}),
        ("POST", "/api/letters", {"kind": "appointment", "visits": ["Greyfen Ann"]}),
        ("POST", "/api/letters", {"kind": "appointment", "visits": [{"visit": "Greyfen"}]}),
    ],
)
def test_what_can_name_no_record_is_refused_before_it_is_noted(unit, tablet, method, path, content):
    """[AU1] The planted bug it has caught: a case without bounds, noted before it was judged."""
    answer = unit.client.request(method, path, json=content, headers=tablet)

    assert_problem(answer, 422, "cannot be read")
    assert "Greyfen" not in answer.text
    assert _noted(unit) == []


def test_where_nothing_can_be_noted_nothing_is_handed_out(unit, tablet, monkeypatch):
    """[AU5] The planted bug it has caught: a fault of the note that was let by."""

    def refuse(*_, **__):
        raise OSError("no room")

    monkeypatch.setattr(type(unit.store.access), "append", refuse)

    answer = unit.client.get("/api/cases/export", headers=tablet)

    assert answer.status_code == 500
    assert "Greyfen" not in answer.text


def test_a_line_as_a_tablet_writes_it_is_taken_in(unit, tablet):
    """[AU4] The very text that `access-rows.test.ts` expects of the tablet."""
    line = (
        '{"device":"tablet-a","chain":"ch01","counter":1,"previous":"","at_ms":1790000000000,'
        '"person":"staff/w","role":"endoscopist","verb":"read","object":"case",'
        '"records":["patient/p-1","case/c-1"],"why":"","outcome":"done"}'
    )
    assert line.replace("'", "") in (
        (ROOT / "pwa/src/storage/access-rows.test.ts")
        .read_text()
        .replace("' +\n      '", "")
        .replace("'", "")
    )

    assert _send(unit, tablet, [line]).json() == {"chain": "ch01", "held": 1}
    assert Chain().note(at_ms=NOON_MS, object="case", records=("patient/p-1", "case/c-1")) == line
