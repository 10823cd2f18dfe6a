"""A year of 300 patients: every day everybody has one next act, or a clinician's reasoned end.

Nine faults are planted below while the tests run, each in what the year calls, and the watch tells
of each: a missed visit that ends in silence, or counts as seen; a closed session whose bookings
are forgotten; a hand-over that drops rows; a printer that does not ask who has died; a plan of
three visits after which patients are lost; places given twice that nobody is over in; results
that nobody notes; a desk that does nothing. `make soak` plays 2,000 patients over fifteen months.
"""

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from api.clinical_rules.civil_date import add_days
from api.clinical_rules.follow_up import answer_follow_up
from api.clinical_rules.session_places import answer_session_places
from api.clinical_rules.visit_course import take_visit_act
from api.storage.unit_store import UnitStore, open_unit_store
from api.use_cases import booking_records
from api.use_cases.check_follow_up import check_follow_up
from api.use_cases.propose_bookings import propose_bookings, propose_for_records
from tests.simulator import clinic_year_desk, clinic_year_record
from tests.simulator.clinic_year import FIRST_ON, ClinicYear
from tests.simulator.clinic_year_clinician import Clinician
from tests.simulator.clinic_year_facts import YearFacts
from tests.simulator.clinic_year_table import measure_due, print_table
from tests.unit.api.clinic_story import Story

SEED, PATIENTS = 1, 300
NOON_MS = 1_790_000_000_000
# What a year of 300 has to meet, or the promise was not put to the test.
EVENTS = (
    "no-show",
    "cancel",
    "move",
    "done-elsewhere",
    "no answer",
    "to clinician: no-shows",
    "to clinician: no-answer",
    "to clinician: late",
    "ended: died",
    "ended: transferred",
    "ended: declined",
    "came back",
    "moved house",
    "bookings displaced",
    "withheld: died",
    "withheld: do-not-contact",
    "windows moved",
)
Plant = Callable[[pytest.MonkeyPatch], None]


@pytest.fixture(scope="module")
def year() -> ClinicYear:
    played = ClinicYear(SEED, PATIENTS)
    begun = time.process_time()
    played.run()
    assert time.process_time() - begun < 30
    return played


def test_a_year_in_which_nobody_is_lost(year: ClinicYear) -> None:
    """[HAZ-43] [HAZ-44] [HAZ-45] Held on each day for everybody, by the rules and from scratch."""
    assert year.watch.faults == []
    assert year.record.refused == []
    assert year.days_held == year.days == 365
    assert not year.watch.lost
    assert len(year.record.patients) == PATIENTS


def test_the_year_meets_every_event(year: ClinicYear) -> None:
    missing = [name for name in EVENTS if not year.record.told[name]]
    assert missing == []
    assert year.desk.given_twice > 0
    found = {key for one in year.record.visits.values() for key in one.finding}
    assert found == {"doppler_flow", "obliterated", "not_seen", "retreated"}


def test_the_table_counts_what_took_place(year: ClinicYear) -> None:
    """[FU-16] The share seen within its window, counted from the visits alone, is the measure's."""
    record = year.record
    last_on = year.today_on
    due = within = 0
    for one in record.visits.values():
        reason = one.course.get("ended_because")
        if reason in ("died", "transferred", "not-needed"):
            continue
        earliest_on, _, latest_on = one.window
        is_past = one.status == "attended" or latest_on <= last_on
        if FIRST_ON <= latest_on <= "2026-12-31" and is_past:
            due += 1
            within += one.status == "attended" and earliest_on <= one.took_place_on <= latest_on
    measure = measure_due(year, FIRST_ON, "2026-12-31")
    assert (measure.count, measure.of) == (within, due)
    lines = print_table(year).splitlines()
    assert lines[2].split("|")[-2].strip() == str(PATIENTS)
    assert lines[-1].endswith("| 365 of 365 |")


def test_one_seed_is_one_year() -> None:
    one, same, other = (ClinicYear(seed, 30, 90) for seed in (7, 7, 8))
    for each in (one, same, other):
        each.run()
    assert one.record.visits == same.record.visits
    assert one.tallies == same.tallies
    assert one.record.visits != other.record.visits


# --- the faults that the watch has to tell of ---------------------------------------------------


def _end_missed_visits(patch: pytest.MonkeyPatch) -> None:
    def ends(request: Any, book: Any) -> Any:
        taken = take_visit_act(request, book)
        if request["act"]["act"] != "no-show":
            return taken
        return {**taken, "set": {"status": "ended", "ended_because": "not-needed"}}

    patch.setattr(clinic_year_record, "take_visit_act", ends)


def _count_missed_as_seen(patch: pytest.MonkeyPatch) -> None:
    def sees(request: Any, book: Any) -> Any:
        if request["act"]["act"] == "no-show":
            request = {**request, "act": {**request["act"], "act": "came"}}
        return take_visit_act(request, book)

    patch.setattr(clinic_year_record, "take_visit_act", sees)


def _forget_closed_sessions(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(
        booking_records,
        "answer_session_places",
        lambda request: answer_session_places({**request, "closed_because": ""}),
    )


def _drop_rows(patch: pytest.MonkeyPatch) -> None:
    act = clinic_year_record.YearRecord.act

    def drops(self: Any, visit: Any, name: str, role: str, today_on: str, **more: Any) -> str:
        if more.get("because") == "Away for a month" and visit.record.endswith("3m"):
            return ""
        return act(self, visit, name, role, today_on, **more)

    patch.setattr(clinic_year_record.YearRecord, "act", drops)


def _write_to_anybody(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(clinic_year_desk, "find_bar", lambda *_args, **_more: None)
    patch.setattr(clinic_year_desk, "find_letter_bar", lambda *_args, **_more: None)


def _plan_too_little(patch: pytest.MonkeyPatch) -> None:
    def plans(request: Any, book: Any) -> Any:
        answer = answer_follow_up(request, book)
        return {**answer, "visits": answer["visits"][:3]}  # type: ignore[index]

    patch.setattr(clinic_year_record, "answer_follow_up", plans)


@pytest.mark.parametrize("patients", [60, 90])
def test_a_short_year_is_clean(patients: int) -> None:
    clean = ClinicYear(SEED, patients, 200)
    clean.run()
    assert clean.watch.faults == []
    assert clean.days_held == clean.days


def _seat_everybody(patch: pytest.MonkeyPatch) -> None:
    def seats(request: Any) -> Any:
        return answer_session_places({**request, "capacity": len(request["bookings"])})

    patch.setattr(booking_records, "answer_session_places", seats)


def _note_nothing(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(Clinician, "note_results", lambda *_args: None)


def _do_nothing_at_the_desk(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(clinic_year_desk.Desk, "work_list", lambda *_args: None)


@pytest.mark.parametrize(
    ("plant", "told", "patients"),
    [
        (_end_missed_visits, "ended without a clinician's reason", 60),
        (_count_missed_as_seen, "counts as seen, and nobody came", 60),
        (_forget_closed_sessions, "is booked into a closed session", 60),
        (_drop_rows, "waits for staff/desk-1, who is away", 60),
        (_write_to_anybody, "died or was transferred, and is written to", 90),
        (_plan_too_little, "is lost: nothing is open and nobody ended it", 60),
        (_seat_everybody, "more visits than its session holds", 60),
        (_note_nothing, "took place, and nobody is to note its result", 60),
        (_do_nothing_at_the_desk, "is forgotten: its day is long past", 60),
    ],
)
def test_a_fault_is_told(
    plant: Plant, told: str, patients: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A year that is clean without the fault is none with it, and the watch names the fault."""
    plant(monkeypatch)
    spoilt = ClinicYear(SEED, patients, 200)
    spoilt.run()
    assert told in {fault.what for fault in spoilt.watch.faults}
    assert spoilt.days_held < spoilt.days


# --- the same record in a unit's store ----------------------------------------------------------


@pytest.fixture
def store(tmp_path: Path) -> Iterator[UnitStore]:
    held = open_unit_store(tmp_path / "unit", new_generation="generation-1")
    yield held
    held.close()


def test_a_unit_store_says_the_same(store: UnitStore) -> None:
    """The check and the proposals of a unit that holds this record are those of the year.

    One visit is then left without an owner, and the unit's check names it and nothing else.
    """
    year = ClinicYear(3, 25, 150)
    year.run()
    assert year.watch.faults == []
    story = Story(store, now_ms=NOON_MS)
    _write_record(story, year)
    on = year.today_on
    checked = check_follow_up(store, on=on)
    assert checked.gaps == ()
    assert checked.checked == len(year.record.patients)
    asked = {
        one.record
        for one in year.record.open_visits()
        if one.course["owner_role"] == "booking" and not one.is_booked
    }
    until_on = add_days(on, clinic_year_desk.HORIZON_DAYS)
    ours = propose_for_records(
        YearFacts(year.record).booking_records(asked, on),
        today_on=on,
        until_on=until_on,
        visits=asked,
    )
    assert ours.proposals
    theirs = propose_bookings(store, today_on=on, until_on=until_on, visits=asked)
    assert theirs.proposals == ours.proposals
    forgotten = year.record.open_visits()[0].record
    story.write(forgotten, owner_role=None)
    told = check_follow_up(store, on=on)
    assert [(one.kind, one.visit) for one in told.gaps] == [("no-owner", forgotten)]


# Fields of a visit, not what is counted from its history.
_RECORDED = (
    "status",
    "owner_role",
    "owner",
    "act_on",
    "urgency",
    "window",
    "cancelled_by",
    "elsewhere",
    "ended_because",
)


def _write_record(story: Story, year: ClinicYear) -> None:
    """Write the record as it stands at the end of the year into a store, a clinician's hand."""
    record = year.record
    story.store.devices.keep(story.device, "Room 2", "bedside", "token-s", joined_ms=1)
    story.write("staff/s-1", name="Clinician One", role="endoscopist")
    for session in record.sessions.values():
        if session.on > year.today_on:
            story.write(
                session.record,
                place=session.place,
                held={"on": session.on, "starts": session.starts, "time_zone": "Europe/London"},
                capacity=session.capacity,
                equipment=list(session.equipment),
                closed_because=session.closed_because or None,
            )
    for patient in record.patients.values():
        story.write(
            patient.record,
            local_id=f"{patient.number}",
            home_place=patient.home_place,
            travels=patient.travels,
            do_not_contact=not patient.may_contact,
        )
        reason = "Followed up by the unit that sent the patient." * patient.has_reason_for_none
        story.write(
            patient.case,
            patient=patient.record,
            stage="closed",
            procedure_on=patient.index_on,
            no_follow_up_because=reason or None,
        )
    for visit in record.visits.values():
        told = {name: visit.course[name] for name in _RECORDED if name in visit.course}
        if visit.slots:
            slot = visit.slots[-1]
            told["booking"] = {"session": slot.session, "on": slot.on, "time": slot.time}
        story.write(
            visit.record,
            patient=visit.patient,
            case=visit.case,
            plan_visit=visit.plan_visit,
            label=visit.label,
            **told,
        )
        if visit.result_on:
            name = visit.record.split("/")[1]
            story.write(
                f"visit_result/{name}",
                case=visit.case,
                visit=visit.record,
                on=visit.took_place_on,
                obliterated="yes",
            )
