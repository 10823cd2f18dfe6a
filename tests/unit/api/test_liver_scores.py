"""Liver and bleeding scores: vectors, rounding and sources.

Against a library: `tests/oracles/test_scores_against_clincalc.py`.
"""

import json
from decimal import Decimal

import pytest

from api.clinical_rules.liver_scores import answer_liver_scores
from api.clinical_rules.measures import round_half_up
from tests.unit.api.calculation_vectors import check_case
from tests.unit.api.twin_engine import packaged_rule_book
from tests.unit.sync.vectors import cases

RULE_BOOK = packaged_rule_book()
WHOLE = {
    "bilirubin": {"value": 40, "unit": "umol/L"},
    "albumin": {"value": 31, "unit": "g/L"},
    "creatinine": {"value": 90, "unit": "umol/L"},
    "urea": {"value": 7, "unit": "mmol/L"},
    "haemoglobin": {"value": 105, "unit": "g/L"},
    "inr": 1.6,
    "sodium_mmol_l": 133,
    "ascites": "mild",
    "encephalopathy": "none",
    "sex": "female",
    "age_years": 58,
    "weight_kg": 70,
    "systolic_mmhg": 105,
    "heart_rate_bpm": 95,
    "melaena": True,
    "syncope": False,
    "hepatic_disease": True,
    "cardiac_failure": False,
    "altered_mental_status": False,
}


@pytest.mark.parametrize("case", cases("liver_scores/answer_liver_scores.json"))
def test_the_engine_answers_the_vectors(case):
    check_case(case, RULE_BOOK)


@pytest.mark.parametrize(
    ("amount", "places", "rounded"),
    [("14.5", 0, "15"), ("15.5", 0, "16"), ("-2.5", 0, "-3"), ("1.005", 2, "1.01")],
)
def test_a_half_goes_away_from_zero(amount, places, rounded):
    """[LS2] Python's own round() gives 14, 16 and 1.0 here."""
    assert round_half_up(Decimal(amount), places) == Decimal(rounded)


def test_the_answer_carries_its_bases_and_rule_files():
    """[RF7] Every score that was calculated has basis and source."""
    answer = answer_liver_scores(WHOLE, RULE_BOOK)

    beside = {"assumed", "basis", "inputs", "cautions", "rule_files"}
    assert set(answer["basis"]) == set(answer["inputs"]) == set(answer) - beside
    assert all(one["basis"] == "published" and one["source"] for one in answer["basis"].values())
    assert [one["name"] for one in answer["rule_files"]] == [
        "liver_scores/bands",
        "liver_scores/coefficients",
        "liver_scores/input_ranges",
        "measurements/usual_bands",
    ]
    assert json.loads(json.dumps(answer)) == answer
