"""Liver and bleeding scores against clincalc 0.4.0 (AGPL; used by tests alone).

It holds Child-Pugh, MELD, MELD 3.0, Glasgow-Blatchford and Cockcroft-Gault; it holds no MELD-Na,
no ALBI and no AIMS65, which stand on published figures alone (`clinical_checks.json`).
"""

import math
from collections import Counter
from decimal import Decimal
from functools import cache

import clincalc
import pytest

from api.clinical_rules.liver_scores import answer_liver_scores
from tests.unit.api.twin_engine import assert_engines_agree, packaged_rule_book, seeded

RULE_BOOK = packaged_rule_book()
CASES = 3000
# Bounds of the published tables and formulas: unit, the bounds, the least step of a laboratory.
BOUNDS = {
    "bilirubin": {"mg/dL": ("1 2 3", "0.1"), "umol/L": ("17.1 34.2 51.3", "0.1")},
    "albumin": {"g/dL": ("1.5 2.8 3 3.5", "0.1"), "g/L": ("15 28 30 35", "1")},
    "creatinine": {"mg/dL": ("1 3 4", "0.1"), "umol/L": ("88.4 265.2 353.6", "0.1")},
    "urea": {"mmol/L": ("6.5 8 10 25", "0.1"), "mg/dL": ("18.2 22.4 28 70", "0.1")},
    "haemoglobin": {"g/L": ("100 120 130", "1"), "g/dL": ("10 12 13", "0.1")},
    "inr": {"": ("1 1.7 2.3", "0.01")},
    "sodium_mmol_l": {"": ("125 137", "1")},
    "systolic_mmhg": {"": ("90 100 110", "1")},
    "heart_rate_bpm": {"": ("100", "1")},
}
# Amounts between the bounds, in the first unit of each input: least, most, decimals.
SPANS = {
    "bilirubin": (0.2, 30, 1),
    "albumin": (1.2, 5, 1),
    "creatinine": (0.4, 8, 2),
    "urea": (1, 45, 1),
    "haemoglobin": (40, 180, 0),
    "inr": (0.8, 8, 2),
    "sodium_mmol_l": (115, 150, 0),
    "systolic_mmhg": (60, 180, 0),
    "heart_rate_bpm": (45, 150, 0),
}
PER_FIRST_UNIT = {
    "umol/L of bilirubin": "17.1",
    "umol/L of creatinine": "88.4",
    "g/L of albumin": "10",
    "mg/dL of urea": "2.8",
    "g/dL of haemoglobin": "0.1",
}


def _near_bound(draw, name, unit):
    """Return an amount on a bound, one step below or one step above it, as a person types it."""
    bounds, step = BOUNDS[name][unit]
    amount = Decimal(draw.choice(bounds.split())) + draw.choice([-1, 0, 1]) * Decimal(step)
    return float(amount)


def _between(draw, name, unit):
    least, most, decimals = SPANS[name]
    amount = Decimal(str(round(draw.uniform(least, most), decimals)))
    return float(round(amount * Decimal(PER_FIRST_UNIT.get(f"{unit} of {name}", "1")), 2))


def _draw(seed):
    """Return a full request; four amounts of ten lie on a bound or one step beside it."""
    draw = seeded(seed)
    request = {}
    for name, units in BOUNDS.items():
        unit = draw.choice(list(units))
        amount = (_near_bound if draw.random() < 0.4 else _between)(draw, name, unit)
        request[name] = {"value": amount, "unit": unit} if unit else amount
    return request | {
        "ascites": draw.choice(["none", "mild", "moderate-severe"]),
        "encephalopathy": draw.choice(["none", "grade1-2", "grade3-4"]),
        "dialysis": draw.random() < 0.2,
        "sex": draw.choice(["female", "male"]),
        "age_years": draw.randint(18, 100),
        "weight_kg": round(draw.uniform(35, 180), 1),
        "melaena": draw.random() < 0.5,
        "syncope": draw.random() < 0.5,
        "hepatic_disease": draw.random() < 0.5,
        "cardiac_failure": draw.random() < 0.5,
    }


@cache
def _cases():
    requests = [_draw(seed) for seed in range(CASES)]
    return [(request, answer_liver_scores(request, RULE_BOOK)) for request in requests]


def _with_units(request, *names):
    return {
        key: content
        for name in names
        for key, content in (
            (name, request[name]["value"]),
            (f"{name}_unit", request[name]["unit"]),
        )
    }


def _in_first_unit(request, name):
    """Return the amount in the one unit that clincalc takes, converted by decimal arithmetic."""
    amount, unit = request[name]["value"], request[name]["unit"]
    return float(Decimal(str(amount)) / Decimal(PER_FIRST_UNIT.get(f"{unit} of {name}", "1")))


def _child_pugh(request):
    # The words that its engine accepts; its own schema prints others.
    grades = {"none": "none", "grade1-2": "grade1-to2", "grade3-4": "grade3-to4"}
    return _with_units(request, "bilirubin", "albumin") | {
        "inr": request["inr"],
        "ascites": request["ascites"],
        "encephalopathy": grades[request["encephalopathy"]],
    }


def _meld(request):
    return _with_units(request, "bilirubin", "creatinine") | {
        "inr": request["inr"],
        "dialysis_twice_past_week": request["dialysis"],
    }


def _meld_3(request):
    return _with_units(request, "bilirubin", "creatinine", "albumin") | {
        "inr": request["inr"],
        "sodium_mmol_l": request["sodium_mmol_l"],
        "female_for_adult_meld": request["sex"] == "female",
        "registration_age_years": request["age_years"],
        "qualifying_dialysis_in_prior_7_days": request["dialysis"],
    }


def _glasgow_blatchford(request):
    same = ["sex", "heart_rate_bpm", "melaena", "syncope", "hepatic_disease", "cardiac_failure"]
    return {name: request[name] for name in same} | {
        "age_16_or_over": True,
        "acute_upper_gi_bleeding_at_first_assessment": True,
        "emergency_department_overt_ugib": True,
        "urea_mmol_l": _in_first_unit(request, "urea"),
        "haemoglobin_g_l": _in_first_unit(request, "haemoglobin"),
        "systolic_bp_mm_hg": request["systolic_mmhg"],
    }


def _cockcroft_gault(request):
    return _with_units(request, "creatinine") | {
        "age": request["age_years"],
        "weight_kg": request["weight_kg"],
        "sex": request["sex"],
    }


def test_child_pugh_agrees():
    """[LS7] 3,000 seeded cases. Planted bug that this caught: bilirubin band 2 ends below 51.3."""
    for request, ours in _cases():
        theirs = clincalc.calculate("child_pugh", _child_pugh(request))
        assert ours["child_pugh"]["points"] == theirs["result"], request
        assert ours["child_pugh"]["class"] == theirs["working"]["class"], request


def test_meld_agrees():
    """[LS4] 3,000 seeded cases. Planted bug that this caught: no floor under the INR."""
    for request, ours in _cases():
        theirs = clincalc.calculate("meld", _meld(request))
        raw = theirs["working"]["raw_score"]
        assert ours["meld"]["score"] == theirs["result"], request
        assert math.isclose(ours["meld"]["unrounded"], raw, abs_tol=0.00005 + 1e-9), request


def test_meld_3_agrees():
    """[LS6] 3,000 seeded cases, the score and, to 4 decimals, the sum before rounding.

    Planted bug that this caught: creatinine taken up to 4.0 mg/dL.
    """
    for request, ours in _cases():
        theirs = clincalc.calculate("meld_3", _meld_3(request))
        raw = theirs["working"]["raw_policy_score"]
        assert ours["meld_3"]["score"] == theirs["result"], request
        assert math.isclose(ours["meld_3"]["unrounded"], raw, abs_tol=0.00005 + 1e-9), request


def test_glasgow_blatchford_agrees():
    """[LS10] 3,000 seeded cases. Planted bug that this caught: urea of 8.0 in the band below."""
    for request, ours in _cases():
        theirs = clincalc.calculate("glasgow_blatchford", _glasgow_blatchford(request))
        assert ours["glasgow_blatchford"]["points"] == theirs["result"], request


def test_creatinine_clearance_agrees():
    """[LS11] 3,000 seeded cases; clincalc rounds to one decimal and we to two.

    Planted bug that this caught: the factor of women given to men.
    """
    for request, ours in _cases():
        theirs = clincalc.calculate("cockcroft_gault", _cockcroft_gault(request))["result"]
        ml_per_min = ours["creatinine_clearance"]["ml_per_min"]
        assert math.isclose(ml_per_min, theirs, abs_tol=0.05 + 0.005 + 1e-9), request


def test_the_twin_answers_the_same_cases_alike():
    """[LS1] [LS2] What agrees with clincalc here therefore agrees in TypeScript."""
    assert_engines_agree("liver-scores", [request for request, _ in _cases()])


@pytest.mark.parametrize("name", BOUNDS)
def test_every_bound_is_drawn_below_at_and_above(name):
    """Without this the cases could lie far from where scores go wrong."""
    drawn = Counter()
    for request, _ in _cases():
        given = request[name]
        unit, amount = (given["unit"], given["value"]) if isinstance(given, dict) else ("", given)
        drawn[unit, amount] += 1
    for unit, (bounds, step) in BOUNDS[name].items():
        for bound in bounds.split():
            for steps in (-1, 0, 1):
                amount = float(Decimal(bound) + steps * Decimal(step))
                assert drawn[unit, amount] >= 20, (name, unit, amount)
