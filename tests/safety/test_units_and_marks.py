"""A laboratory unit or a decimal mark never changes what a number means, in either engine."""

from decimal import Decimal

import pytest

from tests.fuzz.chance import Chance
from tests.unit.api.twin_engine import (
    answer_here,
    answer_there,
    packaged_rule_book,
    write_answer,
)

BOOK = packaged_rule_book()
# Conversions of clinical practice: bilirubin 17.1 and creatinine 88.4 umol/L per mg/dL, urea
# nitrogen 2.8 mg/dL per mmol/L, and ten decilitres to the litre.
OTHER_UNIT = {
    "bilirubin": ("mg/dL", "umol/L", Decimal("17.1")),
    "albumin": ("g/dL", "g/L", Decimal(10)),
    "creatinine": ("mg/dL", "umol/L", Decimal("88.4")),
    "urea": ("mmol/L", "mg/dL", Decimal("2.8")),
    "haemoglobin": ("g/dL", "g/L", Decimal(10)),
}
BOUNDS = {
    "bilirubin": (3, 250),
    "albumin": (15, 55),
    "creatinine": (3, 90),
    "urea": (10, 600),
    "haemoglobin": (40, 180),
}
SCORES = (
    "child_pugh",
    "meld",
    "meld_na",
    "meld_3",
    "albi",
    "glasgow_blatchford",
    "aims65",
    "creatinine_clearance",
)


def one_patient(chance):
    """Return the same laboratory numbers twice, once in each unit; tenths of the first unit."""
    rest = {
        "inr": chance.randint(8, 40) / 10,
        "sodium_mmol_l": chance.randint(118, 146),
        "ascites": chance.choice(("none", "mild", "moderate-severe")),
        "encephalopathy": chance.choice(("none", "grade1-2", "grade3-4")),
        "dialysis": chance.holds(0.2),
        "sex": chance.choice(("female", "male")),
        "age_years": chance.randint(18, 90),
        "weight_kg": chance.randint(45, 120),
        "systolic_mmhg": chance.randint(70, 160),
        "heart_rate_bpm": chance.randint(50, 140),
        **{
            name: chance.holds(0.4)
            for name in (
                "melaena",
                "syncope",
                "hepatic_disease",
                "cardiac_failure",
                "altered_mental_status",
            )
        },
    }
    first, second = dict(rest), dict(rest)
    for name, (unit, other, factor) in OTHER_UNIT.items():
        amount = Decimal(chance.randint(*BOUNDS[name])) / 10
        first[name] = {"value": float(amount), "unit": unit}
        second[name] = {"value": float(amount * factor), "unit": other}
    return first, second


def scores_of(answer):
    return {score: answer["answer"][score] for score in SCORES}


def test_a_patient_has_the_same_scores_in_either_unit():
    """[HAZ-51] [LS1] 400 patients, five analytes, both engines.

    Planted bug that this caught: 88 for 88.4. Shown to fail: one number in the wrong unit moves
    the scores, or is refused, in most patients.
    """
    chance = Chance(51)
    pairs = [one_patient(chance) for _ in range(400)]
    asked = [request for pair in pairs for request in pair]
    there = answer_there("liver-scores", asked)
    answers = [answer_here("liver-scores", one, BOOK) for one in asked]
    assert [write_answer(one) for one in answers] == there

    for place, (first, second) in enumerate(pairs):
        one, other = answers[2 * place], answers[2 * place + 1]
        assert scores_of(one) == scores_of(other), (first, second)

    mixed_up = 0
    for place, (first, second) in enumerate(pairs):
        slip = {**first, "bilirubin": {**second["bilirubin"], "unit": "mg/dL"}}
        wrong = answer_here("liver-scores", slip, BOOK)
        mixed_up += scores_of(wrong) != scores_of(answers[2 * place])
    assert mixed_up > 300


def test_an_amount_without_its_unit_is_not_taken():
    """[HAZ-51] [HAZ-03] No engine has a unit that it falls back on."""
    for given in ({"value": 34.2}, {"value": 34.2, "unit": ""}, 34.2):
        here = answer_here("liver-scores", {"bilirubin": given}, BOOK)

        assert here["refused"].startswith("bilirubin")
        assert answer_there("liver-scores", [{"bilirubin": given}]) == [write_answer(here)]


TEXTS = ("1,5", "1.5", "1\u066b5", "1 5", "1\u202f500", "1'500", "1,500", "\u0661\u0662", "15", "")


@pytest.mark.parametrize("text", TEXTS)
def test_no_engine_reads_a_number_out_of_a_text(text):
    """[HAZ-50] Decimal comma or point, thousands marks, digits of another script: all refused.

    Planted bug that this caught: texts of plain digits taken for numbers.
    """
    asked = [
        ("liver-scores", {"inr": text}),
        ("liver-scores", {"bilirubin": {"value": text, "unit": "mg/dL"}}),
        ("sizing", {"targets": [{"label": "A", "short_axis_um": text, "origin": "measured"}]}),
        (
            "antithrombotic-holds",
            {
                "procedure_on": "2026-12-01",
                "urgent": False,
                "drugs": ["apixaban"],
                "creatinine_clearance_ml_per_min": text,
            },
        ),
        ("value-cautions", {"unit": "mm", "amount": text}),
    ]
    for kind, request in asked:
        here = answer_here(kind, request, BOOK)
        assert "must be" in here["refused"], (kind, here)
        assert here["answer"] == {}
        assert answer_there(kind, [request]) == [write_answer(here)]
