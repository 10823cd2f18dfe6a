"""Sizing, follow-up and steps answer to the vectors that both engines read."""

import json
import random
from pathlib import Path
from typing import Any

import pytest
from dateutil.relativedelta import relativedelta

from api.clinical_rules.calculate import calculate
from api.clinical_rules.civil_date import add_interval
from api.clinical_rules.errors import CalculationRefusedError
from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.step_protocol import (
    PlannedTarget,
    StepEvent,
    follow_protocol,
    read_protocol,
)
from api.storage.packaged_files import read_packaged_rule_files
from tests.fuzz import follow_up, sizing
from tests.fuzz.chance import Chance
from tests.unit.api.calculation_vectors import check_paths, check_procedure, check_walk

CONFORMANCE = Path(__file__).resolve().parents[2] / "conformance"
BOOK = RuleBook(read_packaged_rule_files(), on="2026-06-01")


def cases_of(path: str) -> list[Any]:
    file = json.loads((CONFORMANCE / path).read_text())
    return [pytest.param(case, id=case["description"]) for case in file["cases"]]


@pytest.mark.parametrize(
    "case",
    cases_of("sizing/answer_sizing.json") + cases_of("follow_up/answer_follow_up.json"),
)
def test_calculation_answers_to_its_vector(case):
    check_paths(case, BOOK)


@pytest.mark.parametrize("case", cases_of("steps/follow_protocol.json"))
def test_protocol_answers_to_its_vector(case):
    check_procedure(case, BOOK)


@pytest.mark.parametrize("case", cases_of("steps/walk_protocol.json"))
def test_the_walk_through_the_protocol_is_that_of_its_vector(case):
    check_walk(case, BOOK)


def test_adhesive_is_never_offered_without_blood_return():
    """[ST7] Whatever is recorded in whatever order, and there is always a step or an end.

    Caught a planted bug: ``may_inject`` without ``has_blood``.
    """
    steps = read_protocol(BOOK)
    targets = [PlannedTarget("A", True, 2), PlannedTarget("B", False, 1)]
    offered = 0
    for seed in range(400):
        chance = random.Random(seed)
        events: list[StepEvent] = []
        for _ in range(chance.randrange(1, 120)):
            progress = follow_protocol(steps, targets, events)
            assert progress.is_finished == (progress.step is None)
            if progress.step is None:
                break
            if {"adhesive", "another_aliquot"} & set(progress.choices):
                offered += 1
                here = [
                    event
                    for event in events
                    if event.step == "blood_return"
                    and event.round.target == progress.round.target
                    and event.round.puncture == progress.round.puncture
                ]
                assert here[-1].outcome in ("done", "override")
            move = chance.choice(progress.choices) if progress.choices else None
            outcome = chance.choice(["done", "done", "done", "not-seen", "skipped"])
            events.append(StepEvent(progress.step, progress.round, outcome, move))
            if chance.random() < 0.1:
                events.pop(chance.randrange(len(events)))
    assert offered > 50


def test_nobody_is_lost():
    """[FU10] Unless ended there is one next act with a date not past and an owner.

    Caught a planted bug: the review row left out when nothing else is open.
    """
    without_end = reviews = 0
    draw, chance = follow_up.prepare_draw(BOOK), Chance(1)
    for _ in range(2000):
        request = draw(chance)
        try:
            answer = calculate("follow-up", request, BOOK)
        except CalculationRefusedError:
            continue
        if answer["ended"]:
            assert answer["next"] is None
            continue
        without_end += 1
        act = answer["next"]
        assert act["owner_role"] in ("booking", "clinician")
        assert act["on"] >= request["today_on"]
        reviews += act["visit"] == "clinician_visit"
    assert without_end > 1000
    assert reviews > 0


def test_intervals_agree_with_dateutil():
    """[FU1] [FU2] Against python-dateutil, every third day of 2024 to 2040."""
    import datetime

    day = datetime.date(2024, 1, 1)
    while day.year <= 2040:
        for months, days in ((1, 0), (3, 0), (6, 0), (12, 0), (1, 2)):
            expected = day + relativedelta(months=months) + relativedelta(days=days)
            assert add_interval(day.isoformat(), months=months, days=days) == expected.isoformat()
        day += datetime.timedelta(days=3)


def test_no_pick_breaks_the_stock_or_the_lumen():
    """[SZ7] [SZ8] Caught a planted bug: ``left[...] -= 1`` left out."""
    picked = 0
    draw, chance = sizing.prepare_draw(BOOK), Chance(1)
    for _ in range(1500):
        request = draw(chance)
        try:
            answer = calculate("sizing", request, BOOK)
        except CalculationRefusedError as nothing:
            answer = nothing.answer
        stock = {coil["id"]: coil for coil in request.get("coils_in_stock", [])}
        # A request out of bounds has no targets in its answer.
        for sized in answer.get("targets", []):
            picks = sized["coils"].get("picks", [])
            picked += len(picks)
            for name in set(picks):
                assert picks.count(name) <= stock[name]["count"]
                assert answer["needle"]["passes"][name] is not False
            loops = [stock[name]["loop_um"] for name in picks]
            assert loops == sorted(loops, reverse=True)
    assert picked > 200
