"""Reminders for the hospital's own messaging: who, when, and in words that tell nobody anything.

Planted bugs that this caught: a second reminder listed again on the day after, a withheld patient
that was left out in silence, line ends of one character.
"""

import csv
import io
import re

import msgspec
import pytest

from api.clinical_rules.clinic_facts import Slot, VisitFacts
from api.clinical_rules.errors import RuleFileError
from api.clinical_rules.reminder_days import ReminderRow, find_due_reminders
from tests.unit.api.clinic_story import Story
from tests.unit.api.standing_unit import NOON_MS
from tests.unit.api.test_letters import PATIENT, VISIT, propose, settings_file

ROWS = (
    ReminderRow(reminder="first", days_before=7),
    ReminderRow(reminder="second", days_before=2),
)
CLINICAL = re.compile(r"vari[xc]|coil|bleed|scope|ultrasound|liver|endosc|diagnos", re.IGNORECASE)


@pytest.fixture
def told(unit):
    propose(unit.store, settings_file())
    story = Story(unit.store, now_ms=NOON_MS)
    with unit.store.transaction():
        story.write(
            PATIENT,
            family_name="Greyfen",
            given_name="Tobias",
            born_on="1958-07-04",
            local_id="TH-0042",
            phone="+44 1632 960042",
        )
        story.session("near", "2026-03-18", place="Endoscopy room 2")
        story.session("far", "2026-03-23", place="Endoscopy room 2")
        story.write(VISIT, patient=PATIENT, label="Scope check with ultrasound", status="to-book")
        story.book(VISIT, "clinic_session/near", "2026-03-18")
        story.write("visit/v-2", patient=PATIENT, status="to-book")
        story.book("visit/v-2", "clinic_session/far", "2026-03-23")
    return story


def _ask(unit, headers, **days):
    answer = unit.client.get("/api/reminders", params=days, headers=headers)
    assert answer.status_code == 200, answer.text
    return answer.json()


def test_a_first_and_a_second_reminder_fall_due_today(unit, told, a):
    """[FU-10] [RD1] Today is 16 March: two days before the 18th, seven before the 23rd."""
    found = _ask(unit, a)

    assert [(one["reminder"], one["phone"]) for one in found["reminders"]] == [
        ("second", "+44 1632 960042"),
        ("first", "+44 1632 960042"),
    ]
    assert found["reminders"][0]["text"] == (
        "You have a visit on Wednesday 18 March 2026 at 09:30. To change it, please call "
        "01632 960 001."
    )
    assert found["withheld"] == []


def test_the_csv_is_that_of_rfc_4180_and_tells_nobody_anything(unit, told, a):
    """[FU-10] [HAZ-47] No name, no birth date, no number of the patient, no clinical word."""
    found = _ask(unit, a)
    content = found["csv"]

    assert content.count("\n") == content.count("\r\n") == 3
    rows = list(csv.DictReader(io.StringIO(content, newline="")))
    assert [row["phone"] for row in rows] == ["+44 1632 960042"] * 2
    assert len({row["reference"] for row in rows}) == 2
    assert CLINICAL.search(content) is None
    for word in ("Greyfen", "Tobias", "1958", "TH-0042", "room", "visit/"):
        assert word not in content


@pytest.mark.parametrize(
    ("fields", "reason"),
    [
        ({"do_not_contact": True}, "do-not-contact"),
        ({"phone": ""}, "no-phone"),
        ({"phone": "=HYPERLINK(1)"}, "no-phone"),
        ({"phone": "ask the daughter"}, "no-phone"),
    ],
)
def test_who_cannot_or_must_not_be_reached_is_listed_with_the_reason(unit, told, a, fields, reason):
    """[FU-07] [FU-10]"""
    with unit.store.transaction():
        told.write(PATIENT, **fields)

    found = _ask(unit, a)

    assert found["reminders"] == []
    assert [one["reason"] for one in found["withheld"]] == [reason] * 2


def test_two_phone_numbers_hold_the_reminder_back(unit, told, a):
    """[CF3] [HAZ-47] One of them may be somebody else's."""
    with unit.store.transaction():
        other = Story(unit.store, device="desk-b", now_ms=NOON_MS + 90)
        other.write(PATIENT, sees=False, phone="01632 960 043")

    assert {one["reason"] for one in _ask(unit, a)["withheld"]} == {"two-answers"}


def test_nobody_who_died_is_reminded(unit, told, a):
    """[HAZ-45]"""
    with unit.store.transaction():
        told.write(VISIT, status="ended", ended_because="died")

    found = _ask(unit, a)

    assert (found["reminders"], [one["reason"] for one in found["withheld"]]) == ([], ["died"])


def _visit(on, status="booked"):
    slot = Slot(on, "09:00", "", "", "Europe/London")
    return VisitFacts(record="visit/v", patient="p", status=status, slot=slot)


@pytest.mark.parametrize(
    ("on", "reminders"),
    [
        ("2026-03-08", []),
        ("2026-03-09", ["first"]),
        ("2026-03-10", []),
        ("2026-03-13", []),
        ("2026-03-14", ["second"]),
        ("2026-03-15", []),
        ("2026-03-16", []),
    ],
)
def test_each_reminder_is_listed_on_one_day_alone(on, reminders):
    """[RD1] [RD2]"""
    due = find_due_reminders([_visit("2026-03-16")], ROWS, from_on=on, until_on=on)

    assert [one.reminder for one in due] == reminders


def test_a_list_of_several_days_holds_what_each_would():
    """[RD2] After a weekend one list makes up for two days."""
    visits = [_visit(f"2026-03-{day:02d}") for day in range(1, 31)]
    days = [f"2026-03-{day:02d}" for day in range(7, 12)]
    single = [
        one for day in days for one in find_due_reminders(visits, ROWS, from_on=day, until_on=day)
    ]
    several = find_due_reminders(visits, ROWS, from_on=days[0], until_on=days[-1])

    assert several == single
    assert len(several) == 10


@pytest.mark.parametrize("status", ["to-book", "cancelled", "attended", "no-show", "ended"])
def test_only_what_is_booked_is_reminded_of(status):
    """[RD1]"""
    due = find_due_reminders(
        [_visit("2026-03-16", status)], ROWS, from_on="2026-03-01", until_on="2026-03-16"
    )
    assert due == []


@pytest.mark.parametrize(
    "rows",
    [
        (ROWS[1], ReminderRow(reminder="first", days_before=2)),
        (ROWS[0], ROWS[0]),
        (ReminderRow(reminder="second", days_before=9), ROWS[0]),
    ],
)
def test_a_second_reminder_before_the_first_is_a_fault_of_the_file(rows):
    """[RD3]"""
    with pytest.raises(RuleFileError, match="days_before"):
        find_due_reminders([], rows, from_on="2026-03-01", until_on="2026-03-16")


def test_days_in_the_wrong_order_are_refused(unit, told, a):
    days = {"from_on": "2026-03-17", "until_on": "2026-03-16"}
    assert unit.client.get("/api/reminders", params=days, headers=a).status_code == 422


def test_a_unit_cannot_propose_a_file_with_its_reminders_in_the_wrong_order(unit):
    """[RL8] [RD3]"""
    from api.use_cases.errors import NotAllowedError

    rows = [
        {"reminder": name, "days_before": days, "source": "ours", "basis": "unit-setting"}
        for name, days in (("first", 2), ("second", 7))
    ]
    content = msgspec.json.decode(settings_file())
    content.update(name="follow_up/reminders", rows=rows)

    with pytest.raises(NotAllowedError, match="days_before"):
        propose(unit.store, msgspec.json.encode(content))
