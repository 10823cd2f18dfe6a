"""A visit that a clinician added by hand keeps the promise of follow-up as a planned one does.

The story is invented: a case that is recorded only, for which no plan can be made.
"""

import pytest

from api.use_cases.check_follow_up import check_follow_up
from tests.unit.api.clinic_story import Story
from tests.unit.api.standing_unit import NOON_MS

ON = "2026-03-16"
# As `handDraft` of the app records it: no visit of a plan, but an owner and a day to act on.
BY_HAND = {
    "patient": "patient/p-1",
    "case": "case/c-1",
    "label": "Scope check",
    "window": {"earliest_on": "2026-06-02", "target_on": "2026-06-16", "latest_on": "2026-06-30"},
    "status": "planned",
    "owner_role": "booking",
    "act_on": "2026-05-19",
}


@pytest.fixture
def recorded_only(unit):
    """A patient treated on 2 March without any visit; staff/s-1 writes everything."""
    story = Story(unit.store, now_ms=NOON_MS)
    with unit.store.transaction():
        story.write("staff/s-1", name="Otis Bramblewick", role="endoscopist", active=True)
        story.write("patient/p-1", family_name="Greyfen", given_name="Tobias", local_id="TH-0042")
        story.write("case/c-1", patient="patient/p-1", stage="closed", procedure_on="2026-03-02")
        story.write("coil_placed/k-1", case="case/c-1")
    return story


def _standing(unit, on=ON):
    found = check_follow_up(unit.store, on=on)
    return found.with_next_act, found.ended, [(one.kind, one.visit) for one in found.gaps]


def test_a_visit_by_hand_is_the_next_act(unit, recorded_only):
    """[FG1] [FG3] [HAZ-43] Planted bug that this caught: visits of a plan alone counted for a case.

    Two by hand are two visits, not one that stands twice.
    """
    assert _standing(unit) == (0, 0, [("no-plan", "")])
    with unit.store.transaction():
        recorded_only.write("visit/h-1", **BY_HAND)
    assert _standing(unit) == (1, 0, [])
    with unit.store.transaction():
        recorded_only.write("visit/h-2", **BY_HAND)
    assert _standing(unit) == (1, 0, [])


def test_after_it_the_result_is_awaited_and_then_the_next_visit(unit, recorded_only):
    """[FG4] [FG7] A visit by hand that took place is followed by another one."""
    with unit.store.transaction():
        recorded_only.write("visit/h-1", **BY_HAND)
        recorded_only.write(
            "visit/h-1", status="attended", owner_role="clinician", act_on="2026-06-23"
        )
    assert _standing(unit, "2026-06-16") == (1, 0, [])
    assert _standing(unit, "2026-06-24")[2] == [("no-result", "visit/h-1")]
    with unit.store.transaction():
        recorded_only.write(
            "visit_result/h-1",
            visit="visit/h-1",
            case="case/c-1",
            on="2026-06-16",
            doppler_flow="no",
        )
    assert _standing(unit, "2026-06-16")[2] == [("no-next-visit", "")]
    with unit.store.transaction():
        recorded_only.write("visit/h-2", **BY_HAND)
    assert _standing(unit, "2026-06-16") == (1, 0, [])


def test_with_every_visit_done_the_end_that_a_visit_carries_ends_the_follow_up(unit, recorded_only):
    """[FG4] [FG5] [FG6] As Surveillance records it: the last visit planned, a day after the others.

    Planted bug that this caught: the end on a visit of the same day as the one that took place.
    """
    came = {"status": "attended", "owner_role": "clinician", "act_on": "2026-03-17"}
    with unit.store.transaction():
        recorded_only.write("visit/h-1", **BY_HAND | came)
        recorded_only.write(
            "visit_result/h-1",
            visit="visit/h-1",
            case="case/c-1",
            on="2026-03-16",
            doppler_flow="no",
        )
        unit.store.devices.keep("tablet-s", "Room 2", "bedside", "token-s", joined_ms=NOON_MS)
        Story(unit.store, device="tablet-s", now_ms=NOON_MS + 1_000).write(
            "visit/c-1-not-needed",
            **BY_HAND
            | {
                "window": dict.fromkeys(("earliest_on", "target_on", "latest_on"), "2026-06-17"),
                "status": "ended",
                "ended_because": "not-needed",
                "act_on": None,
            },
        )
    assert _standing(unit, "2026-03-18") == (0, 1, [])
