"""Nobody who was treated is without a next act: the record, the command, the watch.

The stories are invented; the rules themselves are asked in `test_follow_up_gaps.py`.
"""

import asyncio
import json
from pathlib import Path

import pytest
from click.testing import CliRunner

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
        await watch.rounds.start()
        await _until(lambda: watch.latest is not None)
        first = watch.latest
        await asyncio.sleep(0.05)
        assert watch.latest is first, "one check a day"
        days.on = "2026-03-17"
        await _until(lambda: watch.latest is not first)
        assert watch.latest is not None
        assert watch.latest.as_of_on == "2026-03-17"
        await watch.rounds.close()

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
        await watch.rounds.start()
        await _until(lambda: watch.latest is not None)
        await watch.rounds.close()

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
