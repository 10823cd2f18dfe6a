"""Nobody who was treated is without a next act: the pure rules, the record, the command, the watch.

The stories are invented. Each rule is asked on both sides of its edge.
"""

import asyncio
import json
from pathlib import Path

import msgspec
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from api.clinical_rules.follow_up_gaps import (
    WHAT_TO_DO,
    find_gaps,
    find_next_act,
    is_follow_up_over,
)
from api.clinical_rules.follow_up_standings import CaseStanding, VisitStanding
from api.command_line import main
from api.routes import follow_up_watch
from api.routes.follow_up_watch import FollowUpWatch
from api.storage.unit_store import open_unit_store
from api.use_cases.check_follow_up import check_follow_up
from tests.unit.api.clinic_story import Story
from tests.unit.api.standing_unit import NOON_MS, assert_problem

ON = "2026-03-16"
JUNE_2_MS = 1_780_401_600_000
MARCH_16_MS = 1_773_662_400_000
SEEDS = sorted((Path(__file__).resolve().parents[3] / "seed_scenarios").glob("0*.json"))
CASE = CaseStanding(record="case/c-1", is_closed=True)
TREATED = CaseStanding(record="case/c-1", is_closed=True, treated_on="2026-03-02")
AGAIN = CaseStanding(record="case/c-2", is_closed=True, treated_on="2026-03-12")
OPEN = {"case": "case/c-1", "status": "to-book", "owner_role": "booking", "day": "2026-04-01"}


def visit(name="v-1", **more):
    return VisitStanding(record=f"visit/{name}", **{**OPEN, **more})


def ended(name="v-1", reason="declined", *, is_sound=True, **more):
    return visit(name, status="ended", ended_because=reason, is_end_sound=is_sound, **more)


def reasoned(reason, *, is_sound=True, **more):
    return msgspec.structs.replace(
        TREATED, reason=reason, is_reason_sound=is_sound, **{"reason_on": "2026-03-05", **more}
    )


def kinds(cases, visits, on=ON, *, is_struck=False):
    found = find_gaps("patient/p-1", cases, visits, today_on=on, is_struck=is_struck)
    assert all(one.what_to_do == WHAT_TO_DO[one.kind] for one in found)
    return [one.kind for one in found]


@pytest.mark.parametrize(
    ("rule", "cases", "visits", "expected"),
    [
        ("[FG1] an open visit with owner and day", [CASE], [visit()], []),
        ("[FG2] nobody holds it", [CASE], [visit(owner_role="")], ["no-owner"]),
        ("[FG2] no day to act on", [CASE], [visit(day="")], ["no-day"]),
        ("[FG2] two answers", [CASE], [visit(conflicts=("booking",))], ["two-answers"]),
        (
            "[FG2] two answers on the status keep it open",
            [CASE],
            [visit(status="ended", conflicts=("status",))],
            ["two-answers"],
        ),
        (
            "[FG2] one planned visit twice",
            [CASE],
            [visit(plan_visit="eus_3m"), visit("v-2", plan_visit="eus_3m")],
            ["doubled"],
        ),
        (
            "[FG2] the same visit of two cases is none",
            [CASE],
            [visit(plan_visit="eus_3m"), visit("v-2", plan_visit="eus_3m", case="case/c-2")],
            [],
        ),
        (
            "[FG2] attended and planned again is none",
            [CASE],
            [
                visit(plan_visit="liver_us"),
                visit("v-2", plan_visit="liver_us", status="attended", has_result=True),
            ],
            [],
        ),
        ("[FG3] [HAZ-44] no visit and no reason", [CASE], [], ["no-plan"]),
        (
            "[FG3] a case of today",
            [CaseStanding(record="case/c-1", is_closed=False)],
            [],
            [],
        ),
        (
            "[FG3] no plan although another case of the patient has one",
            [CASE, CaseStanding(record="case/c-2", is_closed=True)],
            [visit()],
            ["no-plan"],
        ),
        (
            "[FG4] all took place",
            [CASE],
            [visit(status="attended", has_result=True)],
            ["no-next-visit"],
        ),
        (
            "[FG4] the last one took place and its result is awaited today",
            [CASE],
            [visit(status="attended", owner_role="clinician", day=ON)],
            [],
        ),
        (
            "[FG4] [FG7] it was awaited until yesterday",
            [CASE],
            [visit(status="attended", owner_role="clinician", day="2026-03-15")],
            ["no-result"],
        ),
        (
            "[FG4] its result is awaited of nobody",
            [CASE],
            [visit(status="attended", owner_role="", day=ON)],
            ["no-next-visit"],
        ),
        (
            "[FG4] another case goes on",
            [CASE, CaseStanding(record="case/c-2", is_closed=True)],
            [visit(status="attended", has_result=True), visit("v-2", case="case/c-2")],
            ["no-next-visit"],
        ),
        ("[FG5] declined", [CASE], [ended()], []),
        ("[FG5] declined, and a visit goes on", [CASE], [ended(), visit("v-2")], []),
        ("[FG5] died", [CASE], [ended(reason="died")], []),
        (
            "[FG5] [HAZ-45] died, and a visit open all the same",
            [CASE],
            [ended(reason="died"), visit("v-2")],
            ["open-after-end"],
        ),
        (
            "[FG5] transferred ends the other case too",
            [TREATED, AGAIN],
            [ended(reason="transferred", ended_on="2026-03-12")],
            [],
        ),
        (
            "[FG5] but not one that was treated after it",
            [TREATED, AGAIN],
            [ended(reason="transferred", ended_on="2026-03-11")],
            ["no-plan"],
        ),
        (
            "[FG5] nor one of which nobody knows when it was treated",
            [TREATED, CaseStanding(record="case/c-2", is_closed=True)],
            [ended(reason="transferred", ended_on="2026-03-11")],
            ["no-plan"],
        ),
        (
            "[FG5] who came back is asked as everybody is",
            [TREATED, AGAIN],
            [
                ended(reason="transferred", ended_on="2026-03-11"),
                visit("v-2", case="case/c-2"),
                visit("v-3", case="case/new", owner_role=""),
            ],
            ["no-owner"],
        ),
        (
            "[FG5] an open visit of the case that was transferred is one to end all the same",
            [TREATED, AGAIN],
            [
                ended(reason="transferred", ended_on="2026-03-11"),
                visit("v-2"),
                visit("v-3", case="case/c-2"),
            ],
            ["open-after-end"],
        ),
        (
            "[FG5] treated again in the same case",
            [msgspec.structs.replace(TREATED, treated_on="2026-03-12")],
            [ended(reason="transferred", ended_on="2026-03-11")],
            ["no-next-visit"],
        ),
        (
            "[FG5] died stays, whatever was recorded later",
            [TREATED, AGAIN],
            [ended(reason="died", ended_on="2026-03-05")],
            [],
        ),
        (
            "[FG5] declined says nothing of a treatment after it",
            [TREATED],
            [ended(ended_on="2026-03-01")],
            ["no-next-visit"],
        ),
        (
            "[FG5] declined on the day of the treatment does",
            [TREATED],
            [ended(ended_on="2026-03-02")],
            [],
        ),
        (
            "[FG5] a death with two answers on whom it is about ends nobody",
            [CASE],
            [ended(reason="died", conflicts=("patient",))],
            ["no-next-visit", "two-answers"],
        ),
        (
            "[FG5] [HAZ-45] the case says died and a visit is open",
            [reasoned("Died")],
            [visit(), visit("v-2", case="case/c-2")],
            ["open-after-end", "open-after-end"],
        ),
        (
            "[FG5] [HAZ-45] the case says transferred and a visit is open",
            [reasoned("Transferred to another unit")],
            [visit()],
            ["open-after-end"],
        ),
        ("[FG5] the case says declined and a visit is open", [reasoned("Declined")], [visit()], []),
        (
            "[FG5] a reason of before the last treatment",
            [reasoned("Died", reason_on="2026-03-01")],
            [],
            ["no-plan"],
        ),
        (
            "[FG5] two answers on the reason",
            [reasoned("Died Declined", has_two_reasons=True)],
            [],
            ["two-answers"],
        ),
        (
            "[FG8] a reason put off is none",
            [reasoned("Other, note later")],
            [],
            ["reason-to-come"],
        ),
        ("[FG8] but a visit goes on", [reasoned("Other, note later")], [visit()], []),
        (
            "[FG8] put off, and all took place",
            [reasoned("Other, note later")],
            [visit(status="attended", has_result=True)],
            ["no-next-visit"],
        ),
        (
            "[FG5] declined does not",
            [CASE, CaseStanding(record="case/c-2", is_closed=True)],
            [ended()],
            ["no-plan"],
        ),
        (
            "[FG5] not needed, the last one planned",
            [CASE],
            [
                visit(status="attended", target_on="2026-02-01", has_result=True),
                ended("v-2", "not-needed", target_on="2026-03-01"),
            ],
            [],
        ),
        (
            "[FG5] not needed, and a later one took place",
            [CASE],
            [
                ended("v-2", "not-needed", target_on="2026-02-01"),
                visit(status="attended", target_on="2026-03-01", has_result=True),
            ],
            ["no-next-visit"],
        ),
        (
            "[FG5] struck cases end nothing",
            [CASE],
            [ended(reason="case-retracted", target_on="2026-03-01")],
            ["no-next-visit"],
        ),
        (
            "[FG5] a clinician's reason",
            [CaseStanding(record="case/c-1", is_closed=True, reason="Died", is_reason_sound=True)],
            [],
            [],
        ),
        (
            "[FG6] a reason that no clinician gave",
            [CaseStanding(record="case/c-1", is_closed=True, reason="Died")],
            [],
            ["end-to-confirm"],
        ),
        (
            "[FG6] [HAZ-45] an end that no clinician gave",
            [CASE],
            [ended(is_sound=False)],
            ["no-next-visit", "end-to-confirm"],
        ),
        (
            "[FG6] [HAZ-45] the desk says that the patient died",
            [CASE],
            [ended(reason="died", is_sound=False), visit("v-2")],
            ["end-to-confirm"],
        ),
        (
            "[FG7] until today a result may be missing",
            [CASE],
            [visit(), visit("v-2", status="attended", day=ON)],
            [],
        ),
        (
            "[FG7] from tomorrow on it may not",
            [CASE],
            [visit(), visit("v-2", status="attended", day="2026-03-15")],
            ["no-result"],
        ),
        (
            "[FG7] nor of a visit without any day",
            [CASE],
            [visit(), visit("v-2", status="attended", day="")],
            ["no-result"],
        ),
    ],
    ids=lambda part: part if isinstance(part, str) else "",
)
def test_a_broken_promise_is_named_and_a_kept_one_is_not(rule, cases, visits, expected):
    """Planted bugs that this caught, one at a time: any visit not needed ends the follow-up of its
    case, an end or a reason of before the last treatment, a reason put off taken for one, and a
    death with two answers on whom it is about.
    """
    assert kinds(cases, visits) == expected, rule


def test_the_next_act_is_the_first_by_day():
    """[FG2]"""
    visits = [visit("v-3", day="2026-05-01"), visit("v-2"), visit("v-1", status="attended", day=ON)]
    found = find_next_act(visits)

    assert found is not None
    assert (found.visit, found.on, found.owner_role) == ("visit/v-2", "2026-04-01", "booking")
    assert find_next_act([visit(day=""), ended("v-2")]) is None


def test_while_nothing_is_open_the_next_act_is_to_note_the_result():
    """[FG4]"""
    awaited = visit(status="attended", owner_role="clinician", day=ON)
    found = find_next_act([awaited, ended("v-2", "not-needed")])

    assert found is not None
    assert (found.visit, found.on, found.owner_role) == (awaited.record, ON, "clinician")
    assert find_next_act([visit(status="attended", day=ON, has_result=True)]) is None


def test_running_visits_of_a_struck_patient_are_named_and_those_over_are_not():
    """[FG9] Planted bug that this caught: who is struck asked as everybody is."""
    visits = [visit(), visit("v-2", status="attended", has_result=True), ended("v-3")]
    assert kinds([], visits, is_struck=True) == ["patient-struck"]
    assert kinds([], visits[1:], is_struck=True) == []


def test_a_reason_put_off_says_by_when_it_is_to_come():
    """[FG8]"""
    case = reasoned("Other, note later", reason_due_on="2026-03-07")
    (gap,) = find_gaps("patient/p-1", [case], [], today_on=ON)
    assert (gap.kind, gap.due_on) == ("reason-to-come", "2026-03-07")


DAYS = st.sampled_from(["2026-02-01", "2026-03-01", "2026-03-10", ""])
VISITS = st.lists(
    st.builds(
        VisitStanding,
        record=st.sampled_from([f"visit/v-{number}" for number in range(6)]),
        case=st.sampled_from(["case/c-1", "case/c-2", "case/c-3"]),
        plan_visit=st.sampled_from(["", "eus_3m", "annual"]),
        status=st.sampled_from(["to-book", "booked", "no-show", "attended", "ended", "ended"]),
        owner_role=st.sampled_from(["booking", "booking", "clinician", ""]),
        day=st.sampled_from(["2026-03-15", "2026-03-17", "2026-04-01", "2026-04-01", ""]),
        target_on=st.sampled_from(["2026-02-01", "2026-04-01"]),
        ended_because=st.sampled_from(["died", "declined", "not-needed", "transferred"]),
        is_end_sound=st.sampled_from([True, True, False]),
        ended_on=DAYS,
        has_result=st.booleans(),
        conflicts=st.sampled_from([(), (), (), ("booking",), ("patient",)]),
    ),
    max_size=4,
    unique_by=lambda one: one.record,
)
CASES = st.lists(
    st.builds(
        CaseStanding,
        record=st.sampled_from(["case/c-1", "case/c-2"]),
        is_closed=st.booleans(),
        treated_on=DAYS,
        reason=st.sampled_from(["", "", "Died", "Other, note later"]),
        is_reason_sound=st.booleans(),
        reason_on=DAYS,
        has_two_reasons=st.sampled_from([False, False, True]),
    ),
    min_size=1,
    max_size=2,
    unique_by=lambda one: one.record,
)


@settings(max_examples=1_500, deadline=None)
@given(cases=CASES, visits=VISITS)
def test_without_a_gap_somebody_acts_next_or_a_clinician_ended_it(cases, visits):
    """[HAZ-43] [HAZ-44] [FG1] Whatever the record holds: silence is either an owner and a day, or
    an end with a clinician behind it that no treatment followed, or a case that is not due.

    Planted bugs that this caught, one at a time: a missed visit counted as over, a visit without
    an owner let pass, an end by anybody, a case without a plan let pass beside a patient's other
    visits, a transfer that ended a later treatment, and the visits of one case taken for the
    follow-up of another.
    It found what nobody had planted: an attended visit that once was an end still counted as one.
    """
    if find_gaps("patient/p-1", cases, visits, today_on=ON):
        return

    def is_after(on, treated_on):
        return not ("" < on < treated_on)

    ends = [one for one in visits if _is_end(one)]
    reasons = [one for one in cases if one.is_reason_sound and not one.has_two_reasons]
    words = [(one.ended_because, one.case, one.ended_on) for one in ends]
    words += [
        (one.reason.lower(), one.record, one.reason_on)
        for one in reasons
        if one.reason and is_after(one.reason_on, one.treated_on)
    ]
    still_open = [one for one in visits if one.status in ("to-book", "booked", "no-show")]
    if any(what == "died" for what, _, _ in words):
        assert not still_open
        return
    assert all(one.owner_role and one.day for one in still_open)
    if still_open:
        next_act = find_next_act(visits)
        assert next_act is not None
        assert (next_act.on, next_act.visit) == min((one.day, one.record) for one in still_open)
    assert (
        find_next_act(visits) is not None
        or is_follow_up_over(cases, visits)
        or not all(one.is_closed for one in cases)
    )
    for case in (one for one in cases if one.is_closed):
        own = [one for one in visits if one.case == case.record]
        goes_on = any(
            one in still_open or (one.status == "attended" and one.day >= ON) for one in own
        )
        own_words = {
            what
            for what, about, on in words
            if about == case.record and is_after(on, case.treated_on)
        }
        last = max(own, key=lambda one: (one.target_on, one.record), default=None)
        if last not in ends or last.ended_because != "not-needed":
            own_words.discard("not-needed")
        left = any(what == "transferred" and "" < case.treated_on <= on for what, _, on in words)
        assert goes_on or left or own_words - {"other, note later"}, case


def _is_end(one):
    return one.status == "ended" and one.is_end_sound and not one.conflicts


@pytest.fixture
def told(unit):
    """A patient treated on 2 March, with one visit to be booked; staff/s-1 writes everything."""
    story = Story(unit.store, device="tablet-s", now_ms=MARCH_16_MS)
    with unit.store.transaction():
        unit.store.devices.keep("tablet-s", "Room 2", "bedside", "token-s", joined_ms=NOON_MS)
        story.write("staff/s-1", name="Otis Bramblewick", role="endoscopist", active=True)
        story.write("patient/p-1", family_name="Greyfen", given_name="Tobias", local_id="TH-0042")
        story.write("case/c-1", patient="patient/p-1", stage="closed", procedure_on="2026-03-02")
        story.write("coil_placed/k-1", case="case/c-1")
        story.write(
            "visit/v-1",
            patient="patient/p-1",
            case="case/c-1",
            plan_visit="eus_3m",
            label="Scope check with ultrasound",
            window={
                "earliest_on": "2026-05-19",
                "target_on": "2026-06-02",
                "latest_on": "2026-06-16",
            },
            status="to-book",
            owner_role="booking",
        )
    return story


def _gaps(unit, on=ON):
    return [(one.kind, one.visit or one.case) for one in check_follow_up(unit.store, on=on).gaps]


def test_a_patient_with_a_visit_to_come_keeps_the_promise(unit, told):
    """[FG1]"""
    found = check_follow_up(unit.store, on=ON)

    assert (found.checked, found.with_next_act, found.ended, found.gaps) == (1, 1, 0, ())


def test_an_end_counts_by_the_role_of_who_gave_it(unit, told):
    """[FG6] [HAZ-45] Planted bug that this caught: any author taken for a clinician."""
    with unit.store.transaction():
        told.write("staff/s-1", role="booking")
        told.write("visit/v-1", status="ended", ended_because="declined")
    assert _gaps(unit) == [("no-next-visit", "case/c-1"), ("end-to-confirm", "visit/v-1")]

    with unit.store.transaction():
        told.write("staff/s-1", role="anaesthetist")
    assert _gaps(unit) == []
    assert check_follow_up(unit.store, on=ON).ended == 1


def test_an_end_without_a_reason_ends_nothing(unit, told):
    """[FG6]"""
    with unit.store.transaction():
        told.write("visit/v-1", status="ended")
    assert _gaps(unit) == [("no-next-visit", "case/c-1"), ("end-to-confirm", "visit/v-1")]


@pytest.mark.parametrize(("device", "role"), [("desk-a", "booking"), ("desk-a", None)])
def test_an_end_from_a_device_that_may_not_write_care_ends_nothing(unit, told, device, role):
    """[FG6] [HAZ-45] Somebody at the desk tapped as a clinician, or nobody knows the device.

    Planted bug that this caught: any device taken for one that may write care.
    """
    with unit.store.transaction():
        if role:
            unit.store.devices.keep(device, "Desk", role, "token-d", joined_ms=NOON_MS)
        desk = Story(unit.store, device=device, now_ms=told.now_ms)
        desk.write("visit/v-1", status="ended", ended_because="died")
    assert _gaps(unit) == [("no-next-visit", "case/c-1"), ("end-to-confirm", "visit/v-1")]


def test_an_end_whose_reason_somebody_else_changed_is_to_be_confirmed(unit, told):
    """[FG6] [HAZ-45] Not needed becomes died at the desk, and the other visits went on.

    Planted bug that this caught: a clinician's word for one of both taken for the whole.
    """
    with unit.store.transaction():
        told.write("visit/v-2", **{**_fields(told), "plan_visit": "eus_12m"})
        told.write("visit/v-1", status="ended", ended_because="not-needed")
    assert _gaps(unit) == []
    with unit.store.transaction():
        unit.store.devices.keep("desk-a", "Desk", "booking", "token-d", joined_ms=NOON_MS)
        desk = Story(unit.store, device="desk-a", now_ms=told.now_ms)
        desk.write("visit/v-1", ended_because="died")
    assert _gaps(unit) == [("end-to-confirm", "visit/v-1")]


def test_who_was_transferred_and_is_treated_again_needs_a_plan_again(unit, told):
    """[FG5] The day of the transfer is that on which a clinician wrote it."""
    with unit.store.transaction():
        told.write("visit/v-1", status="ended", ended_because="transferred")
    assert check_follow_up(unit.store, on="2026-12-01").ended == 1
    with unit.store.transaction():
        told.write("case/c-2", patient="patient/p-1", stage="closed")
        told.write("coil_placed/k-2", case="case/c-2", at="2026-03-16T09:00:00+00:00")
    assert _gaps(unit, "2026-12-01") == []
    with unit.store.transaction():
        told.write("coil_placed/k-2", at="2026-03-17T09:00:00+00:00")
    assert _gaps(unit, "2026-12-01") == [("no-plan", "case/c-2")]


def test_a_day_of_the_procedure_that_was_mistyped_hides_nobody(unit):
    """[FG3] [HAZ-44] 2062 for 2026: the coil has a day too.

    Planted bug that this caught: the day of the procedure read alone.
    """
    story = Story(unit.store, now_ms=MARCH_16_MS)
    with unit.store.transaction():
        story.write("case/c-1", patient="patient/p-1", procedure_on="2062-03-02")
        story.write("coil_placed/k-1", case="case/c-1", at="2026-03-15T09:00:00+00:00")
    assert _gaps(unit) == [("no-plan", "case/c-1")]
    with unit.store.transaction():
        story.write("coil_placed/k-1", at="2026-03-16T09:00:00+00:00")
    assert _gaps(unit) == []


def test_with_whom_nothing_is_due_yet_nothing_has_ended(unit):
    """[FG1] Treated today: neither a gap, nor a next act, nor an end."""
    story = Story(unit.store, now_ms=MARCH_16_MS)
    with unit.store.transaction():
        story.write("case/c-1", patient="patient/p-1", procedure_on=ON)
        story.write("coil_placed/k-1", case="case/c-1", at=f"{ON}T09:00:00+00:00")
    found = check_follow_up(unit.store, on=ON)
    assert (found.checked, found.with_next_act, found.ended, found.not_due) == (1, 0, 0, 1)


def test_cases_of_nobody_are_no_one_person(unit, told):
    """[FG10] A death that names no patient ends the case that it names, and none beside it.

    Planted bug that this caught: all cases without a patient asked as one person's.
    """
    with unit.store.transaction():
        told.write("case/c-2", stage="closed")
        told.write("coil_placed/k-3", case="case/c-3")
        told.write("adhesive_injected/i-1", at="2026-03-02T09:00:00+00:00")
    every = [("no-plan", one) for one in ("", "case/c-2", "case/c-3")]
    assert _gaps(unit) == every
    with unit.store.transaction():
        told.write("visit/o-1", case="case/c-2", status="ended", ended_because="died")
        told.write("visit/o-2", status="ended", ended_because="died")
    assert _gaps(unit) == [every[0], every[2]]
    assert check_follow_up(unit.store, on=ON).checked == 4


def test_the_running_visits_of_a_struck_patient_are_named(unit, told):
    """[FG9] Whether the patient was treated or not: no list of people shows them any more."""
    with unit.store.transaction():
        told.write("patient/p-2", local_id="TH-0043")
        told.write("visit/v-2", **{**_fields(told), "patient": "patient/p-2", "case": ""})
    assert _gaps(unit) == []
    with unit.store.transaction():
        for name in ("patient/p-1", "patient/p-2"):
            state = unit.store.views.state_of(name)
            told.write(name, retract=state.heads)
    assert _gaps(unit) == [("patient-struck", "visit/v-1"), ("patient-struck", "visit/v-2")]


def test_a_reason_put_off_at_the_close_is_a_gap_with_a_day(unit, told):
    """[FG8] Written on 16 March: to be given by the 18th, as a clinician decides anything else."""
    with unit.store.transaction():
        told.write("case/c-2", stage="closed", no_follow_up_because="Other, note later")
    (gap,) = check_follow_up(unit.store, on=ON).gaps
    assert (gap.kind, gap.case, gap.due_on) == ("reason-to-come", "case/c-2", "2026-03-18")
    with unit.store.transaction():
        told.write("case/c-2", no_follow_up_because="Patient declined")
    assert _gaps(unit) == []


def test_two_reasons_side_by_side_end_nothing(unit, told):
    """[FG5]"""
    with unit.store.transaction():
        told.write("case/c-2", stage="closed", no_follow_up_because="Died")
        told.write("case/c-2", sees=False, no_follow_up_because="Patient declined")
    assert _gaps(unit) == [("two-answers", "case/c-2")]


def test_two_answers_on_why_it_ended_end_nothing(unit, told):
    """[FG2] [HAZ-45]"""
    with unit.store.transaction():
        told.write("visit/v-1", status="ended", ended_because="died")
        told.write("visit/v-1", sees=False, ended_because="not-needed")
    assert ("two-answers", "visit/v-1") in _gaps(unit)


def test_a_missed_visit_is_still_the_next_act(unit, told):
    """[HAZ-43] [FG2] Whatever is written of it, until a clinician ends it."""
    for status in ("planned", "booked", "no-show", "cancelled", "something-newer"):
        with unit.store.transaction():
            told.write("visit/v-1", status=status)
        assert check_follow_up(unit.store, on=ON).with_next_act == 1, status


def test_what_took_place_needs_a_result_within_seven_days(unit, told):
    """[FG7] Planned for 2 June and attended: noted by 9 June."""
    told.now_ms = JUNE_2_MS
    with unit.store.transaction():
        told.write("visit/v-1", status="attended")
        told.write("visit/v-2", **{**_fields(told), "plan_visit": "eus_12m"})
    assert _gaps(unit, "2026-06-09") == []
    assert _gaps(unit, "2026-06-10") == [("no-result", "visit/v-1")]
    with unit.store.transaction():
        told.write("visit_result/v-1", visit="visit/v-1", case="case/c-1", doppler_flow="no")
    assert _gaps(unit, "2026-06-10") == []


@pytest.mark.parametrize("finding", ["doppler_flow", "obliterated", "retreated"])
@pytest.mark.parametrize(
    ("plan_visit", "label", "is_look"),
    [
        ("eus_3m", "", True),
        ("treatment_session", "", True),
        ("annual", "Scope check", True),
        ("scope_repeat", "Scope check", False),
        ("liver_us", "", False),
        ("", "Scope check with ultrasound", True),
        ("", "Liver ultrasound", False),
    ],
)
def test_a_look_is_noted_by_what_it_showed_and_not_by_its_day(
    unit, told, plan_visit, label, is_look, finding
):
    """[FG7] Of visits that look for nothing the day is all there is to note.

    Planted bug that this caught: any result taken for a finding.
    """
    told.now_ms = JUNE_2_MS
    with unit.store.transaction():
        told.write("visit/v-2", **{**_fields(told), "plan_visit": "eus_12m"})
        told.write("visit/v-1", status="attended", plan_visit=plan_visit, label=label)
        told.write("visit_result/v-1", visit="visit/v-1", case="case/c-1", on="2026-06-02")
    assert _gaps(unit, "2026-06-10") == ([("no-result", "visit/v-1")] if is_look else [])
    with unit.store.transaction():
        told.write("visit_result/v-1", **{finding: False if finding == "retreated" else "no"})
    assert _gaps(unit, "2026-06-10") == []


def test_a_booking_that_was_still_ahead_does_not_put_the_result_off(unit, told):
    """[FG7] Booked for next year, and the patient came on 2 June.

    Planted bug that this caught: the day booked for taken for that of the next act.
    """
    told.now_ms = JUNE_2_MS
    with unit.store.transaction():
        told.write("visit/v-2", **{**_fields(told), "plan_visit": "eus_12m"})
        told.book("visit/v-1", "clinic_session/a", "2027-06-02", act_on="2027-06-02")
        told.write("visit/v-1", status="attended")
    assert _gaps(unit, "2026-06-09") == []
    assert _gaps(unit, "2026-06-10") == [("no-result", "visit/v-1")]


def test_two_desks_that_book_apart_leave_two_answers(unit, told):
    """[FG2]"""
    with unit.store.transaction():
        other = Story(unit.store, device="desk-b", now_ms=told.now_ms + 500)
        told.book("visit/v-1", "clinic_session/a", "2026-06-02")
        other.write("visit/v-1", sees=False, booking={"on": "2026-06-03"}, status="booked")
    assert _gaps(unit) == [("two-answers", "visit/v-1")]


@pytest.mark.parametrize(
    ("stage", "procedure_on", "has_coil", "is_named"),
    [
        ("closed", "2026-03-16", False, True),
        ("closing", "2026-03-16", True, True),
        ("closing", "2026-03-16", False, False),
        ("in-procedure", "2026-03-15", True, True),
        ("in-procedure", "2026-03-16", True, False),
        ("in-procedure", None, True, True),
        ("planned", "2026-03-01", False, False),
    ],
)
def test_a_case_without_a_plan_is_named_once_it_is_due(
    unit, stage, procedure_on, has_coil, is_named
):
    """[FG3] [HAZ-44]"""
    story = Story(unit.store, now_ms=NOON_MS)
    with unit.store.transaction():
        story.write("patient/p-1", local_id="TH-0042")
        day = {"procedure_on": procedure_on} if procedure_on else {}
        story.write("case/c-1", patient="patient/p-1", stage=stage, **day)
        if has_coil:
            story.write("coil_placed/k-1", case="case/c-1")
    assert _gaps(unit) == ([("no-plan", "case/c-1")] if is_named else [])


def test_a_coil_entered_in_error_calls_for_nothing_and_one_without_a_case_is_named(unit):
    """[FG1] [FG3]"""
    story = Story(unit.store, now_ms=NOON_MS)
    with unit.store.transaction():
        story.write("case/c-1", patient="patient/p-1", stage="in-procedure")
        struck = story.write("coil_placed/k-1", case="case/c-1").reference
        story.write("coil_placed/k-1", retract=(struck,))
    assert _gaps(unit) == []
    with unit.store.transaction():
        story.write("adhesive_injected/i-1", case="case/c-2")
    assert _gaps(unit) == [("no-plan", "case/c-2")]


def _fields(told):
    """Return what the story wrote on its first visit."""
    state = told.store.views.state_of("visit/v-1")
    return {
        **{name: held.values[-1].value for name, held in state.fields.items()},
        "status": "to-book",
    }


def test_the_check_is_for_devices_that_read_care(unit, told, a):
    """[FU-11] [FG1]"""
    answer = unit.client.get("/api/follow-up-check", headers=a)
    assert answer.status_code == 200, answer.text
    assert answer.json()["as_of_on"] == ON
    desk = unit.join("desk-b", "booking")
    assert_problem(unit.client.get("/api/follow-up-check", headers=desk), 403, "bedside")
    assert unit.client.get("/api/follow-up-check").status_code == 401


def test_what_the_server_kept_is_given_and_now_asks_anew(unit, told, a):
    """[HAZ-44]"""
    path = "/api/follow-up-check"
    assert unit.client.get(f"{path}?now=true", headers=a).json()["gaps"] == []
    with unit.store.transaction():
        told.write("visit/v-1", owner_role=None)

    assert unit.client.get(path, headers=a).json()["gaps"] == []
    (gap,) = unit.client.get(f"{path}?now=true", headers=a).json()["gaps"]
    assert (gap["kind"], gap["number"], gap["name"]) == ("no-owner", "TH-0042", "Greyfen, Tobias")
    assert unit.client.get(path, headers=a).json()["gaps"] == [gap]


class _Days:
    """An environment whose day is moved by hand."""

    def __init__(self):
        self.on = ON

    time_zone = "Europe/London"

    def today(self, zone=""):
        return self.on


async def _until(is_so):
    for _ in range(500):
        if is_so():
            return
        await asyncio.sleep(0.01)
    raise AssertionError("it did not come")


def test_the_server_checks_at_the_start_and_on_each_new_day(unit, told, caplog):
    """[HAZ-44] A check that breaks costs nothing but a line, without what records hold.

    Planted bug that this caught: a watch that looks once and never again.
    """

    async def watch():
        days = _Days()
        watch = FollowUpWatch(unit.store, days, look_every_seconds=0.01)  # type: ignore[arg-type]
        await watch.start()
        await _until(lambda: watch.latest is not None)
        first = watch.latest
        await asyncio.sleep(0.05)
        assert watch.latest is first, "one check a day"
        days.on = "2026-03-17"
        await _until(lambda: watch.latest is not first)
        assert watch.latest is not None
        assert watch.latest.as_of_on == "2026-03-17"
        await watch.close()

    asyncio.run(watch())
    assert caplog.text == ""


def test_a_check_that_breaks_is_tried_again(unit, told, caplog, monkeypatch):
    """[HAZ-44] [SEC-20]"""
    own, calls = follow_up_watch.check_follow_up, []

    def break_once(store, *, on):
        calls.append(on)
        if len(calls) == 1:
            raise RuntimeError("Greyfen, Tobias")
        return own(store, on=on)

    monkeypatch.setattr(follow_up_watch, "check_follow_up", break_once)

    async def watch():
        watch = FollowUpWatch(unit.store, _Days(), look_every_seconds=0.01)  # type: ignore[arg-type]
        await watch.start()
        await _until(lambda: watch.latest is not None)
        await watch.close()

    asyncio.run(watch())
    assert "RuntimeError in the check of follow-up" in caplog.text
    assert "Greyfen" not in caplog.text


@pytest.fixture(scope="module")
def seeded(tmp_path_factory):
    folder = tmp_path_factory.mktemp("seeded") / "unit"
    loaded = CliRunner().invoke(
        main, ["load-scenario", *map(str, SEEDS), "--data", str(folder), "--as-if-today", ON]
    )
    assert loaded.exit_code == 0, loaded.output
    return folder


def _check(folder, *more):
    return CliRunner().invoke(main, ["check-follow-up", "--data", str(folder), "--on", ON, *more])


def test_the_command_names_who_is_without_a_plan_and_ends_with_1(seeded):
    """[HAZ-44] Of the invented cases only the night's emergency has none yet."""
    told = _check(seeded)

    assert told.exit_code == 1
    head, row, last = told.output.strip().splitlines()
    assert head.split() == ["Number", "Name", "Where", "What", "to", "do"]
    for part in ("TH-41555", "Ashdown-Pike, Rufus", "case/emergency-0214", "make the plan."):
        assert part in row
    assert (
        last
        == "On 2026-03-16: treated or closed 6, with a next act 5, ended 0, not due yet 0, gaps 1."
    )


def test_the_command_gives_json_and_refuses_what_is_no_day(seeded):
    found = json.loads(_check(seeded, "--format", "json").stdout)
    assert [one["kind"] for one in found["gaps"]] == ["no-plan"]

    refused = _check(seeded, "--on", "16 March")
    assert refused.exit_code == 2
    assert "Give a date such as 2026-03-01." in refused.stderr


def test_a_unit_without_a_gap_ends_with_0(tmp_path):
    store = open_unit_store(tmp_path / "unit", new_generation="generation-1")
    store.close()
    told = _check(tmp_path / "unit")

    assert (told.exit_code, told.output.strip().splitlines()[-1][-7:]) == (0, "gaps 0.")
