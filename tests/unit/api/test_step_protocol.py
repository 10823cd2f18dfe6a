"""The step protocol: its order, its end, and what is recorded out of turn."""

import itertools
import random

import pytest

from api.clinical_rules.step_protocol import (
    CHOOSE,
    PlannedTarget,
    Progress,
    Round,
    Step,
    StepEvent,
    find_out_of_turn,
    follow_protocol,
    read_protocol,
)
from tests.unit.api.twin_engine import packaged_rule_book

STEPS = read_protocol(packaged_rule_book())
TARGETS = [
    PlannedTarget("A", wants_adhesive=True, coils_planned=2),
    PlannedTarget("B", wants_adhesive=False, coils_planned=1),
]
PHASES = [
    "sign in",
    "survey",
    "water fill",
    "map",
    "time out",
    "puncture",
    "coil",
    "adhesive",
    "withdrawal",
    "final look",
    "sign out",
]


def press_primary(targets: list[PlannedTarget], outcome: str = "done") -> list[StepEvent]:
    """Press the primary action until the end: each step as it comes, each first choice."""
    events: list[StepEvent] = []
    for _ in range(500):
        now = follow_protocol(STEPS, targets, events)
        if now.step is None:
            return events
        move = now.choices[0] if now.choices else None
        events.append(StepEvent(now.step, now.round, outcome if not move else "done", move))
    pytest.fail("the primary action never comes to an end")


def number_of(step: Step) -> tuple[int, ...]:
    return tuple(int(part) for part in step.number.split("."))


def test_the_default_protocol_has_the_phases_in_order():
    """[ST1] Order in the trade's words: common practice, no source."""
    assert list(dict.fromkeys(step.phase for step in STEPS)) == PHASES
    assert [number_of(step) for step in STEPS] == sorted(number_of(step) for step in STEPS)
    assert len({step.id for step in STEPS}) == len(STEPS)
    assert [step.id for step in STEPS if len(step.title.split()) > 6] == []


def test_every_step_names_its_basis_and_source():
    """[RF2]"""
    assert [step.id for step in STEPS if not (step.basis and step.source)] == []


def test_the_primary_action_goes_through_the_protocol_in_its_order():
    """[ST1] [ST2] [ST6] [ST9] Numbers never fall but where a coil or a target begins anew.

    Caught a planted bug: steps taken from the end of the file.
    """
    events = press_primary(TARGETS)
    by_id = {step.id: step for step in STEPS}
    passed = [event for event in events if event.step != CHOOSE]
    for before, after in itertools.pairwise(passed):
        if before.round == after.round:
            assert number_of(by_id[before.step]) < number_of(by_id[after.step])
    assert {event.step for event in passed} == set(by_id)
    assert [event.round.coil for event in passed if event.step == "coil_formed"] == [1, 2, 1]
    injected = [event.round for event in passed if event.step == "injection"]
    assert injected == [Round("A", 1, aliquot=1)]
    assert find_out_of_turn(STEPS, TARGETS, events) == []


def test_the_primary_action_never_leads_past_the_gate():
    """[ST7] With blood return never seen, pressing on injects nothing and does not end.

    Caught a planted bug: the coil as the first choice where adhesive was wanted.
    """
    targets = [PlannedTarget("A", wants_adhesive=True)]
    events: list[StepEvent] = []
    for _ in range(120):
        now = follow_protocol(STEPS, targets, events)
        assert now.step is not None
        assert now.step not in ("aliquot_ready", "injection", "package_opened")
        move = now.choices[0] if now.choices else None
        outcome = "not-seen" if now.step == "blood_return" else "done"
        events.append(StepEvent(now.step, now.round, outcome, move))
    assert {event.move for event in events if event.step == CHOOSE} == {"try_again"}


def test_skipping_everything_comes_to_an_end_and_injects_nothing():
    """[ST7] [ST9] A step that was skipped counts as passed, and never as blood seen."""
    now = Progress(None, Round(), "", (), (), 0, is_finished=False)
    events: list[StepEvent] = []
    for _ in range(300):
        now = follow_protocol(STEPS, TARGETS, events)
        if now.step is None:
            break
        move = "withdraw" if "withdraw" in now.choices else None
        events.append(StepEvent(now.step, now.round, "skipped", move))
    assert now.is_finished
    assert "injection" not in {event.step for event in events}


def test_what_is_recorded_out_of_turn_is_kept_and_told():
    """[ST3] [ST10] Caught a planted bug: the round left out of the comparison."""
    first = [StepEvent(STEPS[0].id), StepEvent(STEPS[2].id), StepEvent(STEPS[1].id)]

    assert find_out_of_turn(STEPS, TARGETS, first) == [1]
    assert follow_protocol(STEPS, TARGETS, first).step == STEPS[3].id

    in_turn = press_primary(TARGETS)
    place = next(place for place, event in enumerate(in_turn) if event.step == "needle_flushed")
    elsewhere = StepEvent("needle_flushed", Round("A", 2))
    assert find_out_of_turn(STEPS, TARGETS, [*in_turn[:place], elsewhere]) == [place]


def test_an_override_is_not_out_of_turn():
    """[ST10] [ST7] It opens the gate as a person recorded it."""
    events: list[StepEvent] = []
    while (now := follow_protocol(STEPS, TARGETS, events)).step != CHOOSE:
        assert now.step is not None
        outcome = "not-seen" if now.step == "blood_return" else "done"
        events.append(StepEvent(now.step, now.round, outcome))
    assert "adhesive" not in now.choices
    events.append(StepEvent("blood_return", now.round, "override"))

    assert find_out_of_turn(STEPS, TARGETS, events) == []
    assert follow_protocol(STEPS, TARGETS, events).step == "package_opened"


def test_any_list_of_events_has_a_current_step_or_an_end():
    """[ST1] [ST3] Whatever was recorded, in whatever order, of whatever round."""
    ids = [*(step.id for step in STEPS), CHOOSE, "a step of a newer version"]
    moves = [None, "coil", "another_coil", "adhesive", "another_aliquot", "try_again"]
    moves += ["another_puncture", "next_target", "withdraw", "a newer move"]
    for seed in range(300):
        chance = random.Random(seed)
        events = [
            StepEvent(
                chance.choice(ids),
                Round(
                    chance.choice([None, "A", "B", "C"]),
                    chance.choice([None, 1, 2]),
                    chance.choice([None, 1]),
                    chance.choice([None, 1]),
                ),
                chance.choice(["done", "not-seen", "skipped", "override"]),
                chance.choice(moves),
            )
            for _ in range(chance.randrange(200))
        ]
        now = follow_protocol(STEPS, TARGETS, events)
        assert now.is_finished == (now.step is None)
        assert (now.step == CHOOSE) == bool(now.choices)
        assert now.step in {None, CHOOSE, *(step.id for step in STEPS)}
