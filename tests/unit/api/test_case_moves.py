"""A case that goes to another person: nothing of it is lost, and all of it is found there.

Cites HAZ-01 and HAZ-41. Planted bugs that this caught: visits that stay behind; a case erased with
the person it had left.
"""

from api.use_cases.plan_erasure import plan_erasure
from api.use_cases.record_tree import find_record_tree
from api.use_cases.show_case import show_case
from api.use_cases.unit_settings import open_unit_book, read_unit_settings
from tests.unit.api.clinic_story import Story
from tests.unit.api.standing_unit import NOON_MS

ON = "2026-03-16"
UNDER = ("case/c", "coil_placed/k", "visit/v")


def _tell(unit):
    """An emergency of somebody unknown, who is on record as Ada Reedmace."""
    story = Story(unit.store, now_ms=NOON_MS)
    with unit.store.transaction():
        story.write("patient/ada", family_name="Reedmace", given_name="Ada", identity="confirmed")
        story.write("patient/e", family_name="Emergency 14:32", identity="to-be-confirmed")
        story.write("case/c", patient="patient/e", stage="closed", indication="acute-bleed")
        story.write("coil_placed/k", case="case/c", device={"lot": "L-1"})
        story.write("visit/v", patient="patient/e", case="case/c", status="to-book")
    return story


def _move(unit, story):
    with unit.store.transaction():
        story.write("case/c", patient="patient/ada")
        story.write("visit/v", patient="patient/ada")


def _tree(unit, record):
    with unit.store.transaction():
        return find_record_tree(unit.store, [record])


def test_all_of_the_case_is_under_the_other_person_and_no_entry_is_lost(unit):
    """[HAZ-01] Every entry keeps its name."""
    story = _tell(unit)
    with unit.store.transaction():
        before = {one.op_id: one.hash for one in unit.store.operations.in_order(UNDER)}
    assert set(_tree(unit, "patient/e")) == {"patient/e", *UNDER}
    _move(unit, story)

    assert set(_tree(unit, "patient/ada")) == {"patient/ada", *UNDER}
    assert _tree(unit, "patient/e") == ["patient/e"]
    with unit.store.transaction():
        after = {one.op_id: one.hash for one in unit.store.operations.in_order(UNDER)}
    assert before.items() <= after.items()
    assert len(after) == len(before) + 2


def test_papers_name_the_other_person_and_an_erasure_of_the_first_takes_nothing_of_it(unit):
    """[HAZ-41] [ER1]"""
    _move(unit, _tell(unit))
    settings = read_unit_settings(unit.store, on=ON)
    shown = show_case(unit.store, "case/c", settings, open_unit_book(unit.store, on=ON), on=ON)

    assert shown.patient_name() == "Ada Reedmace"
    assert [one.record for one in shown.visits] == ["visit/v"]
    assert plan_erasure(unit.store, ["patient/e"]).records == ("patient/e",)
    assert set(plan_erasure(unit.store, ["patient/ada"]).records) == {"patient/ada", *UNDER}


def test_two_people_who_move_it_apart_are_a_conflict_and_not_a_winner(unit):
    """[HAZ-31] Whose case it is, people decide."""
    story = _tell(unit)
    with unit.store.transaction():
        story.write("patient/b", family_name="Sedge", identity="confirmed")
        before = unit.store.views.state_of("case/c").fields["patient"].references
        other = Story(unit.store, device="tablet-b", now_ms=NOON_MS + 50)
        story.write("case/c", patient="patient/ada")
        other.write("case/c", sees=False, patient="patient/b")
        held = unit.store.views.state_of("case/c").fields["patient"]

    assert before
    assert held.is_conflict
    assert {one.value for one in held.values} >= {"patient/ada", "patient/b"}
