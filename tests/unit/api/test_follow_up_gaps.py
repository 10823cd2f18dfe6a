"""Nobody who was treated is without a next act: the pure rules (FG1-FG10).

The stories are invented. Each rule is asked on both sides of its edge.
"""

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from api.clinical_rules.follow_up_gaps import (
    WHAT_TO_DO,
    find_gaps,
    find_next_act,
    is_follow_up_over,
)
from api.clinical_rules.follow_up_standings import CaseStanding, VisitStanding

ON = "2026-03-16"
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
