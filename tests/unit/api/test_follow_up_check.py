"""Nobody who was treated is without a next act: the pure rules, the record, the command, the watch.

The stories are invented. Each rule is asked on both sides of its edge.
"""

import asyncio
import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from api.clinical_rules.follow_up_gaps import (
    WHAT_TO_DO,
    CaseStanding,
    VisitStanding,
    find_gaps,
    find_next_act,
)
from api.command_line import main
from api.routes import follow_up_watch
from api.routes.follow_up_watch import FollowUpWatch
from api.storage.unit_store import open_unit_store
from api.use_cases.check_follow_up import check_follow_up
from tests.unit.api.clinic_story import Story
from tests.unit.api.standing_unit import NOON_MS, assert_problem

ON = "2026-03-16"
SEEDS = sorted((Path(__file__).resolve().parents[3] / "seed_scenarios").glob("0*.json"))
CASE = CaseStanding(record="case/c-1", is_closed=True)
OPEN = {"case": "case/c-1", "status": "to-book", "owner_role": "booking", "day": "2026-04-01"}


def visit(name="v-1", **more):
    return VisitStanding(record=f"visit/{name}", **{**OPEN, **more})


def ended(name="v-1", reason="declined", *, is_sound=True, **more):
    return visit(name, status="ended", ended_because=reason, is_end_sound=is_sound, **more)


def kinds(cases, visits, on=ON):
    found = find_gaps("patient/p-1", cases, visits, today_on=on)
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
            [],
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
            [CASE, CaseStanding(record="case/c-2", is_closed=True)],
            [ended(reason="transferred")],
            [],
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
    """Planted bug that this caught: any visit not needed ends the follow-up of its case."""
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


VISITS = st.lists(
    st.builds(
        VisitStanding,
        record=st.sampled_from([f"visit/v-{number}" for number in range(6)]),
        case=st.sampled_from(["case/c-1", "case/c-2"]),
        plan_visit=st.sampled_from(["", "eus_3m", "annual"]),
        status=st.sampled_from(["to-book", "booked", "no-show", "attended", "ended"]),
        owner_role=st.sampled_from(["booking", "booking", "clinician", ""]),
        day=st.sampled_from(["2026-03-15", "2026-03-17", "2026-04-01", "2026-04-01", ""]),
        target_on=st.sampled_from(["2026-02-01", "2026-04-01"]),
        ended_because=st.sampled_from(["died", "declined", "not-needed", "transferred"]),
        is_end_sound=st.booleans(),
        has_result=st.booleans(),
        conflicts=st.sampled_from([(), (), (), ("booking",)]),
    ),
    max_size=4,
    unique_by=lambda one: one.record,
)
CASES = st.lists(
    st.builds(
        CaseStanding,
        record=st.sampled_from(["case/c-1", "case/c-2"]),
        is_closed=st.booleans(),
        reason=st.sampled_from(["", "", "Died"]),
        is_reason_sound=st.booleans(),
    ),
    min_size=1,
    max_size=2,
    unique_by=lambda one: one.record,
)


@settings(max_examples=600, deadline=None)
@given(cases=CASES, visits=VISITS)
def test_without_a_gap_somebody_acts_next_or_a_clinician_ended_it(cases, visits):
    """[HAZ-43] [HAZ-44] [FG1] Whatever the record holds: silence is either an owner and a day, or
    an end with a clinician behind it, or a case that is not due.

    Planted bugs that this caught, one at a time: a missed visit counted as over, a visit without
    an owner let pass, an end by anybody, and a case without a plan let pass beside a patient's
    other visits.
    It found what nobody had planted: an attended visit that once was an end still counted as one.
    """
    if find_gaps("patient/p-1", cases, visits, today_on=ON):
        return
    ends = [one for one in visits if one.status == "ended"]
    assert all(one.is_end_sound for one in ends) or any(
        one.is_end_sound and one.ended_because in ("died", "transferred") for one in ends
    )
    still_open = [one for one in visits if one.status in ("to-book", "booked", "no-show")]
    is_gone = any(one.is_end_sound and one.ended_because in ("died", "transferred") for one in ends)
    if is_gone:
        assert not still_open
        return
    if still_open:
        acts = [(one.day, one.record) for one in still_open if one.owner_role and one.day]
        assert len(acts) == len(still_open)
        next_act = find_next_act(visits)
        assert next_act is not None
        assert (next_act.on, next_act.visit) == min(acts)
    for case in cases:
        own = [one for one in visits if one.case == case.record]
        if not case.is_closed or (case.reason and case.is_reason_sound):
            continue
        assert own, case
        sound = [one.ended_because for one in own if one in ends and one.is_end_sound]
        last = max(own, key=lambda one: (one.target_on, one.record))
        was_last = last in ends and last.ended_because == "not-needed"
        if ("declined" in sound or was_last) and not any(one in still_open for one in own):
            continue
        assert still_open or find_next_act(visits) is not None, case
        assert still_open or any(one.status == "attended" and one.day >= ON for one in visits)
        assert not case.reason, case


@pytest.fixture
def told(unit):
    """A patient treated on 2 March, with one visit to be booked; staff/s-1 writes everything."""
    story = Story(unit.store, now_ms=NOON_MS)
    with unit.store.transaction():
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


def test_a_missed_visit_is_still_the_next_act(unit, told):
    """[HAZ-43] [FG2] Whatever is written of it, until a clinician ends it."""
    for status in ("planned", "booked", "no-show", "cancelled", "something-newer"):
        with unit.store.transaction():
            told.write("visit/v-1", status=status)
        assert check_follow_up(unit.store, on=ON).with_next_act == 1, status


def test_what_took_place_needs_a_result_within_seven_days(unit, told):
    """[FG7] Planned for 2 June and attended: noted by 9 June."""
    with unit.store.transaction():
        told.write("visit/v-1", status="attended")
        told.write("visit/v-2", **{**_fields(told), "plan_visit": "eus_12m"})
    assert _gaps(unit, "2026-06-09") == []
    assert _gaps(unit, "2026-06-10") == [("no-result", "visit/v-1")]
    with unit.store.transaction():
        told.write("visit_result/v-1", visit="visit/v-1", case="case/c-1", on="2026-06-02")
    assert _gaps(unit, "2026-06-10") == []


def test_two_desks_that_book_apart_leave_two_answers(unit, told):
    """[FG2]"""
    with unit.store.transaction():
        other = Story(unit.store, device="desk-b", now_ms=NOON_MS + 500)
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

    def today(self):
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
    assert last == "On 2026-03-16: treated or closed 6, with a next act 5, ended 0, gaps 1."


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
