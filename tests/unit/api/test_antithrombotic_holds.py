"""Antithrombotic holds: vectors, and that every profile knows every drug."""

import pytest

from api.clinical_rules.antithrombotic_holds import answer_antithrombotic_holds
from tests.unit.api.calculation_vectors import check_case
from tests.unit.api.twin_engine import packaged_rule_book
from tests.unit.sync.vectors import cases

RULE_BOOK = packaged_rule_book()
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
    check_case(case, RULE_BOOK)


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
