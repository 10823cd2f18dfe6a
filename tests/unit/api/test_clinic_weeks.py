"""The clinic by weeks: sums equal the lists, whatever the clinic (FU-14).

Planted bugs that this caught: a booking of the past that stayed in the week that is over, a week
that began on Sunday, a closed session that lent its places.
"""

import random
from collections import Counter
from datetime import date, timedelta

import msgspec
import pytest

from api.clinical_rules.clinic_facts import SessionFacts, Slot, VisitFacts, Window
from api.clinical_rules.clinic_weeks import count_weeks
from api.storage.unit_store import open_unit_store
from api.use_cases.read_clinic import read_clinic
from tests.unit.api.random_clinics import TODAY, day, invent_clinic, taken_back, write_clinic

ON = TODAY.isoformat()


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    opened = open_unit_store(tmp_path_factory.mktemp("unit"), new_generation="generation-1")
    yield opened
    opened.close()


def _all(weeks):
    return (*weeks.weeks, weeks.before, weeks.after, weeks.undated)


def _sum(weeks, what):
    return sum(getattr(one, what) for one in _all(weeks))


def test_sums_equal_the_lists_on_random_clinics(store):
    """[FW1] [FW3] [FW4] [FU-14]"""
    chance = random.Random(5)
    for _ in range(60):
        clinic = invent_clinic(chance, visits=12)
        with taken_back(store):
            write_clinic(store, clinic)
            read = read_clinic(store, time_zone="Europe/London")
        weeks = count_weeks(read.visits, read.sessions, on=ON)
        ends = [visit["acts"][-1][0] if visit["acts"] else "to-book" for visit in clinic["visits"]]
        open_visits = [
            visit
            for visit, end in zip(clinic["visits"], ends, strict=True)
            if end not in ("attended", "elsewhere", "ended")
        ]

        assert _sum(weeks, "due") == _sum(weeks, "demand") == len(open_visits)
        assert _sum(weeks, "overdue") == sum(
            "latest" in one["window"] and one["window"]["latest"] < 0 for one in open_visits
        )
        assert _sum(weeks, "seen") == sum(end in ("attended", "elsewhere") for end in ends)
        assert _sum(weeks, "capacity") == sum(
            one["capacity"] for one in clinic["sessions"] if not one["closed"]
        )
        due = Counter(
            _monday(one["window"]["target"]) for one in open_visits if "target" in one["window"]
        )
        assert {one.monday_on: one.due for one in weeks.weeks if one.due} == {
            monday: count for monday, count in due.items() if -182 <= _number(monday) < 182
        }


def _monday(number):
    on = TODAY + timedelta(days=number)
    return (on - timedelta(days=on.weekday())).isoformat()


def _number(monday):
    return (date.fromisoformat(monday) - TODAY).days


def test_the_places_add_up_to_the_unit(store):
    """[FW1]"""
    with taken_back(store):
        write_clinic(store, invent_clinic(random.Random(7), visits=40))
        read = read_clinic(store, time_zone="Europe/London")
    whole = count_weeks(read.visits, read.sessions, on=ON)
    parts = [
        count_weeks(read.visits, read.sessions, on=ON, place=place)
        for place in ("", "Room 4", "Annexe")
    ]

    for what in ("due", "demand", "capacity", "seen", "booked"):
        columns = [[getattr(week, what) for week in _all(part)] for part in parts]
        sums = [sum(column) for column in zip(*columns, strict=True)]
        assert [getattr(week, what) for week in _all(whole)] == sums


@pytest.mark.parametrize(
    ("on", "monday"),
    [("2026-03-15", "2026-03-09"), ("2026-03-16", "2026-03-16"), ("2026-03-17", "2026-03-16")],
)
def test_a_week_begins_on_monday(on, monday):
    """ISO 8601."""
    visit = VisitFacts(
        record="visit/v", patient="p", status="to-book", window=Window(None, on, None)
    )
    weeks = count_weeks([visit], [], on=ON)

    assert [one.monday_on for one in weeks.weeks if one.due] == [monday]
    assert (len(weeks.weeks), weeks.weeks[26].monday_on) == (52, "2026-03-16")


@pytest.mark.parametrize(
    ("booked", "target", "monday"),
    [
        (-1, 30, "2026-04-13"),
        (0, 30, "2026-03-16"),
        (1, 30, "2026-03-16"),
        (None, -40, "2026-03-16"),
        (None, 7, "2026-03-23"),
    ],
)
def test_demand_is_the_booking_that_is_to_come_else_the_target_else_now(booked, target, monday):
    """[FW2] A booking that is over asks for a place again."""
    slot = None if booked is None else Slot(day(booked), "09:00", "", "", "Europe/London")
    visit = VisitFacts(
        record="visit/v",
        patient="p",
        status="to-book" if slot is None else "booked",
        slot=slot,
        window=Window(None, day(target), None),
    )
    weeks = count_weeks([visit], [], on=ON)

    assert [one.monday_on for one in weeks.weeks if one.demand] == [monday]
    assert _sum(weeks, "booked") == (booked is not None and booked >= 0)


@pytest.mark.parametrize(("latest", "overdue"), [(-1, 1), (0, 0), (1, 0)])
def test_a_visit_is_overdue_after_its_latest_date(latest, overdue):
    """[FW3]"""
    visit = VisitFacts(
        record="visit/v", patient="p", status="no-show", window=Window(None, None, day(latest))
    )
    assert _sum(count_weeks([visit], [], on=ON), "overdue") == overdue


def test_the_weeks_come_over_http(unit, a):
    """[FU-14]"""
    answer = unit.client.get("/api/clinic-weeks", headers=a, params={"place": "Room 4"})

    assert answer.status_code == 200, answer.text
    assert len(answer.json()["weeks"]) == 52
    assert unit.client.get("/api/clinic-weeks").status_code == 401


def test_a_closed_session_lends_no_place():
    """[FW4]"""
    session = SessionFacts(
        record="s", place="Room 4", on=ON, starts="09:00", time_zone="Europe/London", capacity=4
    )
    assert _sum(count_weeks([], [session], on=ON), "capacity") == 4
    closed = msgspec.structs.replace(session, capacity=0, closed_because="holiday")
    assert _sum(count_weeks([], [closed], on=ON), "capacity") == 0
