"""Published and library figures for the calculators; source and tag stand beside each row.

The TypeScript twin runs the same rows in `pwa/src/clinical-rules/clinical-checks.test.ts`.
"""

import json
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from api.clinical_rules.adverse_events import grade_adverse_event
from api.clinical_rules.calculate import calculate
from api.clinical_rules.gs1_label import check_digit
from api.clinical_rules.hibc_label import check_character, sum_characters
from tests.unit.api.twin_engine import packaged_rule_book

FILE = Path(__file__).resolve().parents[2] / "conformance/clinical_checks.json"
ROWS = json.loads(FILE.read_text())
RULE_BOOK = packaged_rule_book()


def _in(unit: str, amount: float) -> dict[str, object]:
    return {"value": amount, "unit": unit}


def _liver(part: str, **request: Any) -> dict[str, Any]:
    return calculate("liver-scores", request, RULE_BOOK)[part]  # type: ignore[return-value]


def _child_pugh(bilirubin, albumin, inr, ascites, encephalopathy):
    found = _liver(
        "child_pugh",
        bilirubin=_in("mg/dL", bilirubin),
        albumin=_in("g/dL", albumin),
        inr=inr,
        ascites=ascites,
        encephalopathy=encephalopathy,
    )
    return [found["points"], found["class"]]


def _bilirubin_points(*amounts):
    return [
        _liver(
            "child_pugh",
            bilirubin=_in("umol/L", amount),
            albumin=_in("g/L", 40),
            inr=1,
            ascites="none",
            encephalopathy="none",
        )["points"]
        - 4
        for amount in amounts
    ]


def _labs(bilirubin, inr, creatinine, dialysis=False):
    return {
        "bilirubin": _in("mg/dL", bilirubin),
        "inr": inr,
        "creatinine": _in("mg/dL", creatinine),
        "dialysis": dialysis,
    }


def _meld(*labs):
    return _liver("meld", **_labs(*labs))["score"]


def _meld_raw(*labs):
    return _liver("meld", **_labs(*labs))["unrounded"]


def _meld_na(bilirubin, inr, creatinine, sodium, dialysis=False):
    labs = _labs(bilirubin, inr, creatinine, dialysis)
    return _liver("meld_na", **labs, sodium_mmol_l=sodium)["score"]


def _sodium_uplift(bilirubin, inr, creatinine, sodium):
    base = _meld_na(bilirubin, inr, creatinine, 137)
    uplifted = _meld_na(bilirubin, inr, creatinine, sodium)
    return [base, uplifted, uplifted - base]


def _meld_3(bilirubin, inr, creatinine, sodium, albumin, is_female, dialysis=""):
    found = _liver(
        "meld_3",
        **_labs(bilirubin, inr, creatinine, dialysis == "dialysis"),
        sodium_mmol_l=sodium,
        albumin=_in("g/dL", albumin),
        sex="female" if is_female else "male",
    )
    return [found["unrounded"], found["score"]]


def _albi(bilirubin, albumin):
    found = _liver("albi", bilirubin=_in("umol/L", bilirubin), albumin=_in("g/L", albumin))
    return [found["score"], found["grade"]]


def _glasgow_blatchford(urea, haemoglobin, sex, systolic, pulse, *flags):
    names = ("melaena", "syncope", "hepatic_disease", "cardiac_failure")
    return _liver(
        "glasgow_blatchford",
        urea=_in("mmol/L", urea),
        haemoglobin=_in("g/L", haemoglobin),
        sex=sex,
        systolic_mmhg=systolic,
        heart_rate_bpm=pulse,
        **{name: bool(one) for name, one in zip(names, flags, strict=True)},
    )["points"]


def _aims65(albumin, inr, altered, systolic, age):
    return _liver(
        "aims65",
        albumin=_in("g/L", albumin),
        inr=inr,
        altered_mental_status=bool(altered),
        systolic_mmhg=systolic,
        age_years=age,
    )["points"]


def _clearance(age, weight, sex, creatinine):
    return _liver(
        "creatinine_clearance",
        age_years=age,
        weight_kg=weight,
        sex=sex,
        creatinine=_in("mg/dL", creatinine),
    )["ml_per_min"]


def _holds(profile, drugs, clearance=None):
    request: dict[str, object] = {
        "profile": profile,
        "procedure_on": "2026-03-10",
        "urgent": False,
        "drugs": drugs,
    }
    if clearance is not None:
        request["creatinine_clearance_ml_per_min"] = clearance
    holds = calculate("antithrombotic-holds", request, RULE_BOOK)["holds"]
    return [hold["hold_days"] for hold in holds]  # type: ignore[attr-defined]


def _holds_2021(warfarin, oral, dabigatran):
    drug, clearance = dabigatran.split("/CrCl ")
    return _holds("bsg-esge-2021", [warfarin, oral, drug], float(clearance))


def _holds_2018(*classes):
    members = {"doac": "apixaban", "p2y12": "clopidogrel"}
    return _holds("apage-apsde-2018", [members.get(one, one) for one in classes])


# What the sources call the facts of an event; hours are whole, and 2.9 h is not yet 3.
EVENT_FACTS = {
    "phone contact": {"phone_contact": True},
    "extended observation 2.9 h": {"observation_hours": 2},
    "extended observation 3.1 h": {"observation_hours": 3},
    "3 nights": {"admission_nights": 3},
    "4 nights": {"admission_nights": 4},
    "transfusion": {"transfusion": True},
    "ICU 1 night": {"intensive_care_nights": 1},
}


def _event_grades(scale, *events):
    graded = [grade_adverse_event(EVENT_FACTS[event], RULE_BOOK) for event in events]
    return [one[scale]["grade"] for one in graded]  # type: ignore[index]


def _agree_grades(*events):
    grades = _event_grades("agree", *events)
    return [grade if grade == "none" else f"AGREE {grade}" for grade in grades]


def _label(scanned):
    return calculate("device-label", {"scanned": scanned, "today_on": "2026-11-25"}, RULE_BOOK)


def _full_code():
    found = _label("01095212345432131727020010AB-123\x1d21SN001")
    return [found["gtin"], found["expires_on"], found["lot"], found["serial"]]


def _expiry_dates(*digits):
    return [_label(f"010952123454321317{one}")["expires_on"] for one in digits]


def _hibc_secondary(segment):
    content = f"+A123BJC5D6E71/{segment}"
    found = _label(content + check_character(content))
    return [found["expires_on"], found["lot"]]


def _units(creatinine_mg_dl, bilirubin_mg_dl, bilirubin_umol_l):
    """Converted with the factors that the rule file holds."""
    rules = json.loads(
        (FILE.parents[2] / "api/clinical_rules/data/liver_scores/coefficients.v1.json").read_text()
    )["rows"]
    factor = {row["term"]: float(row["factor"]) for row in rules if row["score"] == "units"}
    return [
        creatinine_mg_dl * factor["creatinine_umol_l_per_mg_dl"],
        bilirubin_mg_dl * factor["bilirubin_umol_l_per_mg_dl"],
        bilirubin_umol_l / factor["bilirubin_umol_l_per_mg_dl"],
    ]


# By id or by the family before the dash; the id goes first.
FUNCTIONS: dict[str, Callable[..., Any]] = {
    "CP-08": _bilirubin_points,
    "CP": _child_pugh,
    "MELD-07": _meld_raw,
    "MELD": _meld,
    "NA-10": _sodium_uplift,
    "NA": _meld_na,
    "M3": _meld_3,
    "ALBI": _albi,
    "GBS": _glasgow_blatchford,
    "AIMS": _aims65,
    "CG": _clearance,
    "UNIT": _units,
    "PRE-01": _holds_2021,
    "PRE-02": _holds_2018,
    "PRE-05": _agree_grades,
    "PRE-07": partial(_event_grades, "asge"),
    "GS1": check_digit,
    "UDI-01": _full_code,
    "UDI-02": _expiry_dates,
    "HIB-01": lambda content: [sum_characters(content), check_character(content)],
    "HIB-02": check_character,
    "HIB-04": _hibc_secondary,
}


def _function(row_id: str) -> Callable[..., Any]:
    return FUNCTIONS.get(row_id) or FUNCTIONS[row_id.split("-")[0]]


@pytest.mark.parametrize("row", ROWS, ids=[row["id"] for row in ROWS])
def test_the_published_figure_is_met(row):
    found = _function(row["id"])(*row["inputs"])

    assert row["source"]
    assert row["tag"]
    expected = row["expected"]
    if isinstance(expected, list):
        assert found == [
            pytest.approx(one, abs=row["tolerance"]) if isinstance(one, int | float) else one
            for one in expected
        ]
    elif isinstance(expected, str):
        assert found == expected
    else:
        assert found == pytest.approx(expected, abs=row["tolerance"])


def test_every_function_has_a_row():
    ids = [row["id"] for row in ROWS]

    assert len(set(ids)) == len(ids)
    unused = [name for name in FUNCTIONS if not any(one.startswith(name) for one in ids)]
    assert unused == []
