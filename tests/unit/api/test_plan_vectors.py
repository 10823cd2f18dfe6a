"""Sizing, follow-up and steps answer to the vectors that both engines read."""

import json
import random
from pathlib import Path
from typing import Any

import pytest
from dateutil.relativedelta import relativedelta

from api.clinical_rules.calculate import calculate
from api.clinical_rules.civil_date import add_days, add_interval
from api.clinical_rules.errors import CalculationRefusedError
from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.step_protocol import (
    PlannedTarget,
    Round,
    StepEvent,
    follow_protocol,
    read_protocol,
)
from api.storage.packaged_files import read_packaged_rule_files
from tests.unit.api.twin_engine import assert_engines_agree

CONFORMANCE = Path(__file__).resolve().parents[2] / "conformance"
BOOK = RuleBook(read_packaged_rule_files(), on="2026-06-01")


def cases_of(path: str) -> list[Any]:
    file = json.loads((CONFORMANCE / path).read_text())
    return [pytest.param(case, id=case["description"]) for case in file["cases"]]


def step_into(answer: Any, path: str) -> Any:
    for key in path.split("."):
        if isinstance(answer, list):
            found = [one for one in answer if isinstance(one, dict) and one.get("visit") == key]
            answer = found[0] if found else answer[int(key)]
        else:
            answer = answer[key]
    return answer


@pytest.mark.parametrize(
    "case",
    cases_of("sizing/answer_sizing.json") + cases_of("follow_up/answer_follow_up.json"),
)
def test_calculation_answers_to_its_vector(case):
    given, expect = case["given"], dict(case["expect"])
    if "refused" in expect:
        with pytest.raises(CalculationRefusedError) as refused:
            calculate(given["kind"], given["request"], BOOK)
        assert expect["refused"] in str(refused.value)
        return
    answer = calculate(given["kind"], given["request"], BOOK)
    found = {caution["id"] for caution in answer.get("cautions", [])}
    assert found >= set(expect.pop("cautions.ids", []))
    assert not found & set(expect.pop("cautions.without", []))
    planned = {visit["visit"] for visit in answer.get("visits", [])}
    assert not planned & set(expect.pop("visits.absent", []))
    assert {path: step_into(answer, path) for path in expect} == expect


@pytest.mark.parametrize("case", cases_of("steps/follow_protocol.json"))
def test_protocol_answers_to_its_vector(case):
    given, expect = case["given"], case["expect"]
    events = [
        StepEvent(
            one["step"],
            Round(*(one.get(key) for key in ("target", "puncture", "coil", "aliquot"))),
            one.get("outcome", "done"),
            one.get("move"),
        )
        for one in given["events"]
    ]
    targets = [PlannedTarget(**one) for one in given["targets"]]

    progress = follow_protocol(read_protocol(BOOK), targets, events)

    shown = {
        "step": progress.step,
        "phase": progress.phase,
        "round": {
            key: getattr(progress.round, key)
            for key in ("target", "puncture", "coil", "aliquot")
            if getattr(progress.round, key) is not None
        },
        "choices": list(progress.choices),
        "gates": [f"{gate.id} {gate.level}" for gate in progress.gates],
        "is_finished": progress.is_finished,
    }
    assert {key: shown[key] for key in expect} == expect


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


def draw_course(seed: int) -> dict[str, Any]:
    chance = random.Random(seed)
    index_on = add_days("2024-01-01", chance.randrange(1500))
    visits = [
        "call_24_72h",
        "clinic_1w",
        "eus_1m",
        "call_day_30",
        "eus_3m",
        "treatment_session",
        "eus_6m",
    ]
    happened: list[dict[str, Any]] = []
    on = index_on
    if chance.random() < 0.2:
        # Everything planned took place and nothing was found: what comes next then?
        for visit in [*visits, "eus_12m"]:
            on = add_days(on, 40)
            happened.append({"visit": visit, "on": on, "outcome": "attended"})
    for _ in range(chance.randrange(8)):
        on = add_days(on, chance.randrange(90))
        one: dict[str, Any] = {"visit": chance.choice([*visits, "eus_12m", "annual"]), "on": on}
        if chance.random() < 0.9:
            one["outcome"] = chance.choice(["attended", "no-show", "cancelled", "done-elsewhere"])
        for key in ("doppler_flow", "obliterated", "retreated"):
            if chance.random() < 0.4:
                one[key] = chance.random() < 0.5
        if chance.random() < 0.03:
            one[chance.choice(["died", "transferred", "declined"])] = True
        happened.append(one)
    request: dict[str, Any] = {
        "plan": "default",
        "index_on": index_on,
        "acute_bleed": chance.random() < 0.5,
        "today_on": add_days(on, chance.randrange(700)),
        "happened": happened,
    }
    if chance.random() < 0.7:
        request["conditions"] = {
            "cirrhosis": chance.random() < 0.7,
            "child_class": chance.choice("ABC"),
            "coils": chance.randrange(5),
            "adhesive_ul": chance.randrange(7000),
            "on_beta_blocker": chance.random() < 0.5,
        }
    return request


def test_nobody_is_lost():
    """[FU10] Unless ended there is one next act with a date not past and an owner.

    Caught a planted bug: the review row left out when nothing else is open.
    """
    without_end = reviews = 0
    for seed in range(2000):
        request = draw_course(seed)
        answer = calculate("follow-up", request, BOOK)
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


def draw_sizing(seed: int) -> dict[str, Any]:
    chance = random.Random(seed)

    def maybe(key: str, content: Any) -> dict[str, Any]:
        return {key: content} if chance.random() < 0.7 else {}

    return {
        "targets": [
            {
                "label": chr(65 + place),
                "short_axis_um": chance.choice(
                    [chance.randrange(0, 40_000), 5000, 20_000, 150_000]
                ),
                **maybe("long_axis_um", chance.randrange(0, 60_000)),
                **maybe("third_axis_um", chance.randrange(1, 60_000)),
                **maybe("measured_distance_um", chance.randrange(0, 60_000)),
                **maybe("near_wall_um", chance.randrange(0, 30_000)),
                **maybe("far_wall_um", chance.randrange(0, 60_000)),
                **maybe("origin", chance.choice(["measured", "estimated", "earlier-record"])),
            }
            for place in range(chance.randrange(3))
        ],
        **maybe(
            "needle",
            {
                "gauge": chance.choice([19, 22]),
                **maybe("inner_diameter_um", chance.choice([940, 560, 889])),
                **maybe("length_um", chance.randrange(1_300_000, 1_800_000)),
                **maybe("prime_ul", chance.randrange(0, 1500)),
                **maybe("stop_step_um", chance.choice([0, 500, 1000, 5000])),
            },
        ),
        "coils_in_stock": [
            {
                "id": f"coil-{place}",
                "loop_um": chance.randrange(2000, 24_000, 1000),
                "wire_um": chance.choice([457, 533, 889]),
                "length_um": chance.randrange(20_000, 300_000),
                "count": chance.randrange(4),
            }
            for place in range(chance.randrange(7))
        ],
        **maybe(
            "adhesive",
            {
                "agent": chance.choice(["2-octyl-cyanoacrylate", "n-butyl-2-cyanoacrylate"]),
                "parts_adhesive": chance.randrange(0, 6),
                "parts_oil": chance.randrange(0, 9),
                **maybe("planned_ul", chance.randrange(0, 8000)),
            },
        ),
        **maybe("given_so_far_ul", chance.randrange(0, 7000)),
        **maybe("shunt", chance.choice(["none", "present", "unknown"])),
        **maybe("right_to_left_shunt", chance.choice(["no", "yes", "unknown"])),
    }


def test_both_engines_size_alike():
    assert_engines_agree("sizing", [draw_sizing(seed) for seed in range(300)])


def test_both_engines_follow_up_alike():
    assert_engines_agree("follow-up", [draw_course(seed) for seed in range(300)])


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
    for seed in range(1500):
        request = draw_sizing(seed)
        try:
            answer = calculate("sizing", request, BOOK)
        except CalculationRefusedError as nothing:
            answer = nothing.answer
        stock = {coil["id"]: coil for coil in request["coils_in_stock"]}
        for sized in answer["targets"]:
            picks = sized["coils"].get("picks", [])
            picked += len(picks)
            for name in set(picks):
                assert picks.count(name) <= stock[name]["count"]
                assert answer["needle"]["passes"][name] is not False
            loops = [stock[name]["loop_um"] for name in picks]
            assert loops == sorted(loops, reverse=True)
    assert picked > 200
