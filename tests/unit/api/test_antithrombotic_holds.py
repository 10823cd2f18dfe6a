"""Antithrombotic holds: vectors and the TypeScript twin."""

from datetime import date, timedelta

import pytest

from api.clinical_rules.antithrombotic_holds import answer_antithrombotic_holds
from tests.unit.api.calculation_vectors import check_case
from tests.unit.api.twin_engine import assert_engines_agree, packaged_rule_book, seeded
from tests.unit.sync.vectors import cases

DRUGS = [
    "warfarin",
    "apixaban",
    "rivaroxaban",
    "edoxaban",
    "dabigatran",
    "clopidogrel",
    "prasugrel",
    "ticagrelor",
    "aspirin",
]


@pytest.mark.parametrize("case", cases("antithrombotic_holds/answer_antithrombotic_holds.json"))
def test_the_engine_answers_the_vectors(case):
    check_case(case, packaged_rule_book())


@pytest.mark.parametrize("profile", ["bsg-esge-2021", "bsg-esge-2016", "apage-apsde-2018"])
def test_every_profile_knows_every_drug_and_says_on_what_basis(profile):
    """[AH1] [AH4] A profile that knew no aspirin would refuse it instead of letting it go on."""
    answer = answer_antithrombotic_holds(
        {
            "profile": profile,
            "procedure_on": "2026-03-10",
            "urgent": False,
            "creatinine_clearance_ml_per_min": 80,
            "drugs": DRUGS,
        },
        packaged_rule_book(),
    )

    assert [hold["drug"] for hold in answer["holds"]] == DRUGS
    assert all(hold["basis"] and hold["source"] for hold in answer["holds"])
    assert answer["rule_files"][0]["name"] == f"antithrombotic_holds/{profile}"


def _draw(seed):
    draw = seeded(seed)
    request = {
        "profile": draw.choice(["bsg-esge-2021", "bsg-esge-2016", "apage-apsde-2018"]),
        "procedure_on": (date(2024, 1, 1) + timedelta(days=draw.randint(0, 5000))).isoformat(),
        "urgent": draw.random() < 0.05,
        "creatinine_clearance_ml_per_min": draw.choice(
            [29.9, 30, 49.99, 50, 50.01, 0, -1, 301, round(draw.uniform(10, 150), 2)]
        ),
        "drugs": draw.sample([*DRUGS, "inventaban", "Warfarin"], draw.randint(0, 6)),
    }
    if draw.random() < 0.2:
        del request[draw.choice(sorted(request))]
    if draw.random() < 0.1:
        request["procedure_on"] = draw.choice(["2026-02-29", "2026-1-1", 20260101, "2200-01-01"])
    return request


def test_both_engines_write_the_same_json_for_random_requests():
    """[AH2] 300 seeded requests. Planted bug that this caught: February 29 in every year."""
    assert_engines_agree("antithrombotic-holds", [_draw(seed) for seed in range(300)])
