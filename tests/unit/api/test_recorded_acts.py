"""What was recorded on a visit, held against the table of its course (CV11, CV13)."""

import itertools

import pytest

from api.clinical_rules.recorded_acts import ANYTHING, refuse_recorded_act
from api.clinical_rules.visit_course_table import ACTS, ROLES, STATES, is_allowed
from tests.safety.test_visit_model import _walk

STATUSES = ("planned", "to-book", "booked", "no-show", "cancelled", "attended", "ended")
# Written from the table of RULES.md: from which status whom an act leads where.
BOTH = {
    "planned": {"to-book", "booked", "attended"},
    "to-book": {"booked", "attended"},
    "booked": {"booked", "cancelled", "no-show", "attended"},
    "no-show": {"to-book", "booked", "attended"},
    "cancelled": {"to-book", "booked", "attended"},
    "attended": set(),
    "ended": set(),
}
CLINICIANS = {
    **{one: {"ended"} for one in ("planned", "to-book", "booked", "no-show", "cancelled")},
    "attended": {"ended", "to-book"},
    "ended": {"to-book", "ended"},
}
# Beside the table (CV11, CV13): a call that nobody answered; the same status once more.
MISSED_FROM = {"planned", "to-book", "no-show", "cancelled"}


def _is_told(before, after, role):
    if after == before != "ended" or (after == "no-show" and before in MISSED_FROM):
        return True
    return after in BOTH[before] or (role == "clinician" and after in CLINICIANS[before])


@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize(("before", "after"), list(itertools.product(STATUSES, STATUSES)))
def test_each_change_of_status_is_an_act_of_the_table_or_refused(before, after, role):
    """[CV11] [FU-03] Planted bug that this caught: an act asked for by its roles alone."""
    why = refuse_recorded_act({"status": after}, {"status": [before]}, role)

    assert (why == "") == _is_told(before, after, role), why


@pytest.mark.parametrize("after", STATUSES)
def test_who_names_nothing_plans_and_that_is_a_clinicians(after):
    """[CV11] Planted bug that this caught: what names nothing taken in without a question."""
    assert refuse_recorded_act({"status": after}, {}, "clinician") == ""
    why = refuse_recorded_act({"status": after}, {"status": []}, "booking")
    assert why == f"a visit that is not there becomes {after} by a clinician's act alone"


def test_whatever_an_act_records_is_taken_for_it():
    """[CV11] Every step of every path of the model of a visit (`take_visit_act`)."""
    steps = 0
    for visit, act, answer, _ in _walk():
        named = {name: [visit[name]] for name in ANYTHING if visit.get(name) not in (None, "none")}
        assert refuse_recorded_act(answer["set"], named, act["role"]) == "", (visit, act)
        steps += 1
    assert steps > 1_000


def test_whatever_the_table_refuses_is_refused():
    """[CV2] [CV3] [CV13] Every act by every role from every state, held or not by a clinician.

    Planted bug that this caught: an owner that a desk may take from a clinician.
    """
    refused = 0
    for name, state, role, owner in itertools.product(ACTS, STATES, ROLES, ROLES):
        status = ACTS[name].leaves
        before = "cancelled" if state.startswith("cancelled") else state
        before = "attended" if state == "done-elsewhere" else before
        takes = name in ("ask-to-book", "hand-over") and role == "booking" and owner == "clinician"
        # Told by its status alone, an act is any that leaves it; and one that leaves none is none.
        alike = [one for one in ACTS if ACTS[one].leaves == status and status]
        is_told = not alike or any(is_allowed(one, state, role, owner) for one in alike)
        is_beside = status == before or (name == "no-show" and before in MISSED_FROM)
        is_made = state == "none" and role == "clinician"
        if not takes and (is_told or is_beside or is_made):
            continue
        fields = {"owner_role": "booking"} | ({"status": status} if status else {})
        named = {"owner_role": [owner], "status": [before] if before != "none" else []}
        assert refuse_recorded_act(fields, named, role) != "", (name, state, role, owner)
        refused += 1
    assert refused > 50


@pytest.mark.parametrize("role", ROLES)
def test_of_two_answers_a_person_chooses_one(role):
    """[CV11] [HAZ-45] That it ended is a clinician's choice; what it was is anybody's."""
    two = {"status": ["booked", "no-show"], "owner_role": ["booking", "clinician"]}
    for fields in ({"status": "booked"}, {"status": "attended"}, {"owner_role": "booking"}):
        assert refuse_recorded_act(fields, two, role) == ""
    ended = {"status": ["ended", "cancelled"], "ended_because": ["died", "declined"]}
    assert refuse_recorded_act({"status": "cancelled"}, ended, role) == ""
    assert refuse_recorded_act({"ended_because": "died"}, ended, role) == ""
    why = refuse_recorded_act({"status": "ended"}, ended, role)
    assert why == (
        ""
        if role == "clinician"
        else "a visit that is ended or cancelled becomes ended by a clinician's act alone"
    )


def test_why_a_visit_ended_is_a_clinicians_to_say():
    """[CV13] [HAZ-45] Also taking the reason back, and giving one where none stood."""
    for fields, before in (
        ({"ended_because": "died"}, ["declined"]),
        ({"ended_because": "declined"}, ["declined"]),
        ({"ended_because": None}, ["declined"]),
        ({"ended_because": "died"}, []),
    ):
        named = {"ended_because": before}
        assert refuse_recorded_act(fields, named, "booking").startswith("why a visit ended")
        assert refuse_recorded_act(fields, named, "clinician") == ""
    assert refuse_recorded_act({"ended_because": None}, {}, "booking") == ""


@pytest.mark.parametrize("day", ["2026-03-09", None])
@pytest.mark.parametrize("before", [["2026-03-10"], [None], ["2026-03-09", "2026-03-10"]])
def test_the_day_of_an_end_is_a_clinicians_to_say(day, before):
    """[CV13] [HAZ-45] With the end, later, and of two days; nothing over nothing says nothing."""
    over = {"ended_on": before, "status": ["ended"], "ended_because": ["died"]}
    end = {"status": "ended", "ended_because": "died"}
    for fields in ({"ended_on": day}, end | {"ended_on": day}):
        assert refuse_recorded_act(fields, over, "clinician") == ""
        assert refuse_recorded_act(fields, over, "booking") != ""
    assert refuse_recorded_act({"ended_on": day}, over, "booking") == (
        "on which day a visit ended is a clinician's to say"
    )
    assert (refuse_recorded_act({"ended_on": day}, {}, "booking") == "") is (day is None)
    assert refuse_recorded_act({"ended_on": day}, {}, "clinician") == ""


@pytest.mark.parametrize("status", [None, "", "gone", 7, ["booked"], {"status": "booked"}])
def test_no_act_leaves_a_visit_without_a_status_of_the_table(status):
    """[CV11] But out of one that was left so all the same, everybody finds a way."""
    for role in ROLES:
        why = refuse_recorded_act({"status": status}, {"status": ["booked"]}, role)
        assert why == "no act leaves a visit as it says"
        assert refuse_recorded_act({"status": "to-book"}, {"status": [status]}, role) == ""
    assert refuse_recorded_act({"status": "ended"}, {"status": [status]}, "booking") != ""


def test_other_fields_are_nobodys_business_here():
    """[CV11] A window, a booking or a label is no step of the course."""
    assert refuse_recorded_act({"window": None, "label": "x"}, {}, "booking") == ""


@pytest.mark.parametrize("role", ROLES)
def test_the_reason_of_an_end_that_was_not_chosen_goes_with_it(role):
    """[CV6] [CF2] Planted bug that this caught: a desk that settled it was refused."""
    both = {"status": ["booked", "ended"], "ended_because": ["died"]}
    goes_on = {"status": "booked", "ended_because": None}

    assert refuse_recorded_act(goes_on, both, role) == ""
    assert (refuse_recorded_act({"ended_because": None}, both, role) == "") is (role == "clinician")
    alone = {"status": ["booked"], "ended_because": ["died"]}
    assert (refuse_recorded_act(goes_on, alone, role) == "") is (role == "clinician")
    other = {"status": "booked", "ended_because": "declined"}
    assert (refuse_recorded_act(other, both, role) == "") is (role == "clinician")
