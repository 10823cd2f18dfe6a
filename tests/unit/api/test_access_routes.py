"""Access events over HTTP: what devices hand in, who may search, and what is noted of requests."""

import json
from pathlib import Path

import msgspec
import pytest

from api.storage.access_log import hash_line
from api.use_cases.receive_access import MOST_LINES, DeviceLine
from api.use_cases.verify_log import verify_log
from tests.unit.api.clinic_story import Story
from tests.unit.api.standing_unit import LOCAL_KEY, NOON_MS, StandingUnit, assert_problem

ROOT = Path(__file__).resolve().parents[3]
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
    assert [one.why for one in _noted(unit) if one.device] == ["0", "2", "other"]


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
    assert len(found(from_on=day, to_on=day)) == 3
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
        ("GET", "/api/cases/export", None, "export", "cases", []),
        ("GET", "/api/failsafe-list", None, "read", "failsafe-list", []),
        ("GET", "/api/failsafe-paper", None, "export", "failsafe-list", []),
        ("GET", "/api/reminders", None, "read", "reminders", []),
        ("GET", "/api/follow-up-check", None, "read", "follow-up-check", []),
        (
            "POST",
            "/api/implants/find",
            {"search": {"lots": ["L-1"]}, "by": "staff/w", "because": "recall"},
            "search",
            "implants",
            [],
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
