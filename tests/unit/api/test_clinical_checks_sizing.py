"""Figures for sizing, adhesive, geometry and follow-up; each row names its source."""

import json
from pathlib import Path
from typing import Any

import pytest

from api.clinical_rules.calculate import calculate
from api.clinical_rules.civil_date import add_interval
from api.clinical_rules.geometry import ellipsoid_ul, leaves_tip_ul, lumen_ul, packing_per_mille
from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.step_protocol import (
    PlannedTarget,
    Round,
    StepEvent,
    follow_protocol,
    read_protocol,
)
from api.storage.packaged_files import read_packaged_rule_files

FILE = Path(__file__).resolve().parents[2] / "conformance/clinical_checks_sizing.json"
CHECKS = {row["id"]: row for row in json.loads(FILE.read_text())}
BOOK = RuleBook(read_packaged_rule_files(), on="2026-06-01")
MM = 1000
COIL_35 = (889, 140_000)


def size(mm: float, **rest: Any) -> dict[str, Any]:
    target = {"label": "A", "short_axis_um": round(mm * MM), "origin": "measured", **rest}
    answer = calculate(
        "sizing", {"targets": [target], "needle": {"gauge": 19, "stop_step_um": MM}}, BOOK
    )
    return answer["targets"][0]


def band_mm(check: dict[str, Any]) -> list[float]:
    return [um / MM for um in size(check["inputs"][0])["coils"]["loop_band_um"]]


def count(check: dict[str, Any]) -> list[int]:
    coils = size(check["inputs"][0])["coils"]
    return [coils["from"], coils["to"]]


def passes(inch: float) -> list[int]:
    """Return which of the 19G (0.94 mm, from memory) and 22G (0.56 mm) lumens a wire passes."""
    found = []
    for gauge, lumen in ((19, 940), (22, 560)):
        stock = [
            {
                "id": "c",
                "loop_um": 12_000,
                "wire_um": round(inch * 25_400),
                "length_um": 1,
                "count": 1,
            }
        ]
        request = {
            "targets": [],
            "needle": {"gauge": gauge, "inner_diameter_um": lumen},
            "coils_in_stock": stock,
        }
        if calculate("sizing", request, BOOK)["needle"]["passes"]["c"]:
            found.append(gauge)
    return found


def adhesive_fraction(parts: list[float]) -> float:
    tenths = [round(part * 10) for part in parts]
    adhesive = {
        "agent": "n-butyl-2-cyanoacrylate",
        "parts_adhesive": tenths[0],
        "parts_oil": tenths[1],
        "planned_ul": 1_000_000,
    }
    plan = calculate("sizing", {"targets": [], "adhesive": adhesive}, BOOK)["adhesive"]
    return plan["pure_ul"] / plan["mix_ul"]


def liver_ultrasound(word: str) -> bool:
    conditions = {
        "cirrhosis": True,
        "child_class": word[0],
        "transplant_listed": word.endswith("listed"),
    }
    request = {
        "plan": "default",
        "index_on": "2026-03-01",
        "acute_bleed": False,
        "today_on": "2026-03-01",
        "conditions": conditions,
    }
    return any(v["visit"] == "liver_us" for v in calculate("follow-up", request, BOOK)["visits"])


def blood_return_gate(seen: bool) -> str:
    steps = read_protocol(BOOK)
    before = [step.id for step in steps if step.loop is None][:18]
    here = Round("A", 1)
    events = [StepEvent(name) for name in before]
    events += [StepEvent(step.id, here) for step in steps if step.loop == "puncture"][:-1]
    events.append(StepEvent("blood_return", here, "done" if seen else "not-seen"))
    progress = follow_protocol(steps, [PlannedTarget("A", True, 0)], events)
    return "blocked" if any(gate.level == "hard" for gate in progress.gates) else "open"


RUN: dict[str, Any] = {
    "EUS-01": band_mm,
    "EUS-02": band_mm,
    "EUS-04": lambda c: [
        {(19,): "19G", (19, 22): "22G or larger"}[tuple(passes(inch))] for inch in c["inputs"]
    ],
    **dict.fromkeys(("EUS-07", "EUS-08", "EUS-10", "EUS-11"), count),
    "EUS-16": lambda c: blood_return_gate(c["inputs"][0]),
    "EUS-17": lambda c: size(10, measured_distance_um=c["inputs"][0] * MM)["needle_stop_um"] / MM,
    **dict.fromkeys(
        ("ADH-01", "ADH-02", "ADH-04", "ADH-05"),
        lambda c: leaves_tip_ul(*[round(ml * 1000) for ml in c["inputs"]]) / 1000,
    ),
    "ADH-07": lambda c: [adhesive_fraction(parts) for parts in c["inputs"]],
    **dict.fromkeys(
        ("GEO-01", "GEO-02", "GEO-04", "GEO-05", "GEO-07", "GEO-08"),
        lambda c: lumen_ul(*[round(mm * MM) for mm in c["inputs"]]) / 1000,
    ),
    "GEO-14": lambda c: ellipsoid_ul(*[mm * MM for mm in c["inputs"]]) / 1000,
    # Per mille are whole: compared within one half of a thousandth.
    "GEO-16": lambda c: (
        packing_per_mille([COIL_35] * c["inputs"][0], (20_000, 15_000, 12_000)) / 10
    ),
    "GEO-17": lambda c: packing_per_mille([COIL_35] * c["inputs"][0], (20_000,) * 3) / 10,
    "FU-01": lambda c: add_interval(c["inputs"][0], months=3, days=0),
    "FU-02": lambda c: add_interval(c["inputs"][0], months=1, days=0),
    "FU-04": lambda c: add_interval(c["inputs"][0], months=0, days=42),
    "FU-07": lambda c: [liver_ultrasound(word) for word in c["inputs"]],
    "FU-08": lambda _: next(
        row["repeat_months"]
        for row in json.loads(read_packaged_rule_files()["follow_up/default.v1.json"])["rows"]
        if row["visit"] == "liver_us"
    ),
}


def test_every_copied_check_is_run():
    assert set(RUN) == set(CHECKS)


@pytest.mark.parametrize("check_id", sorted(RUN))
def test_clinical_check(check_id):
    check = CHECKS[check_id]
    assert check["source"]
    tolerance = 0.05 if check_id in ("GEO-16", "GEO-17") else check["tolerance"]
    expected = check["expected"]
    found = RUN[check_id](check)
    if isinstance(expected, str | bool) or (
        isinstance(expected, list) and isinstance(expected[0], str | bool)
    ):
        assert found == expected
    else:
        assert found == pytest.approx(expected, abs=tolerance)
