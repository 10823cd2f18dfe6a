"""Scores of liver disease and of acute bleeding, from bands and coefficients in rule files.

No number of a score stands in here; what the numbers are and where they come from is in
``data/liver_scores``. Nothing is guessed: a part says what it lacks.
"""

from collections.abc import Callable, Mapping
from decimal import Decimal

from api.clinical_rules.errors import CalculationRefusedError
from api.clinical_rules.liver_inputs import (
    READ_REQUEST,
    GivenInputs,
    take_inputs,
    warn_of_inputs,
)
from api.clinical_rules.liver_rules import LiverRules
from api.clinical_rules.measures import clamp, exactly, round_half_up, write_number
from api.clinical_rules.rule_book import RuleBook, name_rule_files
from api.clinical_rules.value_cautions import name_usual_bands

_LABS = ("bilirubin", "inr", "creatinine")
_NEEDS: Mapping[str, tuple[str, ...]] = {
    "child_pugh": ("bilirubin", "albumin", "inr", "ascites", "encephalopathy"),
    "meld": _LABS,
    "meld_na": (*_LABS, "sodium_mmol_l"),
    "meld_3": (*_LABS, "sodium_mmol_l", "albumin", "sex"),
    "albi": ("bilirubin", "albumin"),
    "glasgow_blatchford": (
        "urea",
        "haemoglobin",
        "sex",
        "systolic_mmhg",
        "heart_rate_bpm",
        "melaena",
        "syncope",
        "hepatic_disease",
        "cardiac_failure",
    ),
    "aims65": ("albumin", "inr", "altered_mental_status", "systolic_mmhg", "age_years"),
    "creatinine_clearance": ("age_years", "weight_kg", "sex", "creatinine"),
}
_TAKES_DIALYSIS = ("meld", "meld_na", "meld_3")


@exactly
def answer_liver_scores(request: object, rule_book: RuleBook) -> dict[str, object]:
    """Return every score that the request suffices for.

    Parameters
    ----------
    request : object
        Parsed JSON with the keys of ``liver-scores`` in RULES.md, all of them optional.
    rule_book : RuleBook
        Holds ``liver_scores/bands``, ``coefficients`` and ``input_ranges``, and may hold
        ``measurements/usual_bands``.

    Returns
    -------
    dict
        One key for each score: its result, or ``{"missing": [...]}``, or ``{"refusal": {...}}``;
        then ``assumed``, ``basis``, ``inputs``, ``cautions`` and ``rule_files``.

    Raises
    ------
    ShapeError
        A key or type is wrong.
    CalculationRefusedError
        No score at all could be calculated; its `answer` says why.

    Notes
    -----
    Rules LS1-LS13. Pure.

    References
    ----------
    Named in the rule files, row by row; this function knows no numbers.
    """
    rules = LiverRules.of(rule_book)
    read = READ_REQUEST(request, "")
    given = take_inputs(read, rules)
    calculate: dict[str, Callable[[GivenInputs, LiverRules], dict[str, object]]] = {
        "child_pugh": _child_pugh,
        "meld": _meld,
        "meld_na": _meld_na,
        "meld_3": _meld_3,
        "albi": _albi,
        "glasgow_blatchford": _glasgow_blatchford,
        "aims65": _aims65,
        "creatinine_clearance": _creatinine_clearance,
    }
    answer: dict[str, object] = {}
    basis: dict[str, object] = {}
    inputs: dict[str, object] = {}
    for part, needs in _NEEDS.items():
        replaced = part in _TAKES_DIALYSIS and given.on_dialysis
        needed = [name for name in needs if not (replaced and name == "creatinine")]
        refused = [given.refusals[name] for name in needed if name in given.refusals]
        missing = [name for name in needed if not given.has(name)]
        if refused:
            answer[part] = {"refusal": refused[0]}
        elif missing:
            answer[part] = {"missing": missing}
        else:
            answer[part] = calculate[part](given, rules)
            basis[part] = rules.source(part)
            takes_dialysis = part in _TAKES_DIALYSIS and "dialysis" in read
            inputs[part] = [*needed, *(("dialysis",) if takes_dialysis else ())]
    takes_dialysis = any(part in basis for part in _TAKES_DIALYSIS)
    answer["assumed"] = ["dialysis: false"] if takes_dialysis and "dialysis" not in read else []
    answer["basis"] = basis
    answer["inputs"] = inputs
    answer["cautions"] = warn_of_inputs(read, given, rule_book)
    answer["rule_files"] = [
        *name_rule_files(rules.bands, rules.coefficients, rules.ranges),
        *name_usual_bands(rule_book),
    ]
    if not basis:
        sentence = "No score can be calculated from this. Add what is missing or correct it."
        raise CalculationRefusedError(sentence, answer)
    return answer


def _child_pugh(given: GivenInputs, rules: LiverRules) -> dict[str, object]:
    points = sum(
        rules.points("child_pugh", item, given.amounts[item])
        for item in ("bilirubin", "albumin", "inr")
    ) + sum(
        rules.points("child_pugh", item, given.words[item])
        for item in ("ascites", "encephalopathy")
    )
    return {"points": points, "class": rules.band("child_pugh", "class", Decimal(points)).label}


def _log_sum(score: str, given: GivenInputs, rules: LiverRules) -> tuple[Decimal, Decimal, Decimal]:
    """Return the terms that all three share, and ln bilirubin and ln creatinine, bounded."""

    def bounded(amount: Decimal, item: str) -> Decimal:
        return max(amount, rules.factor(score, f"least_{item}"))

    ln_bilirubin = bounded(given.amounts["bilirubin_mg_dl"], "bilirubin_mg_dl").ln()
    ln_inr = bounded(given.amounts["inr"], "inr").ln()
    if given.on_dialysis:
        creatinine = rules.factor(score, "dialysis_creatinine_mg_dl")
    else:
        creatinine = min(
            bounded(given.amounts["creatinine_mg_dl"], "creatinine_mg_dl"),
            rules.factor(score, "most_creatinine_mg_dl"),
        )
    ln_creatinine = creatinine.ln()
    total = (
        rules.factor(score, "ln_bilirubin") * ln_bilirubin
        + rules.factor(score, "ln_inr") * ln_inr
        + rules.factor(score, "ln_creatinine") * ln_creatinine
        + rules.factor(score, "constant")
    )
    return total, ln_bilirubin, ln_creatinine


def _bound_score(score: str, raw: Decimal, rules: LiverRules) -> int:
    rounded = round_half_up(raw, 0)
    least, most = rules.factor(score, "least_score"), rules.factor(score, "most_score")
    return int(clamp(rounded, least, most))


def _sodium_deficit(score: str, given: GivenInputs, rules: LiverRules) -> Decimal:
    most = rules.factor(score, "most_sodium_mmol_l")
    least = rules.factor(score, "least_sodium_mmol_l")
    return most - clamp(given.amounts["sodium_mmol_l"], least, most)


def _meld(given: GivenInputs, rules: LiverRules) -> dict[str, object]:
    raw, _, _ = _log_sum("meld", given, rules)
    return {
        "score": _bound_score("meld", raw, rules),
        "unrounded": write_number(round_half_up(raw, 4)),
    }


def _meld_na(given: GivenInputs, rules: LiverRules) -> dict[str, object]:
    raw, _, _ = _log_sum("meld_na", given, rules)
    # The policy rounds to one decimal before it multiplies: 1.486 becomes 15, not 14.86 (LS5).
    score = round_half_up(raw, 1) * 10
    if score > rules.factor("meld_na", "sodium_above_score"):
        deficit = _sodium_deficit("meld_na", given, rules)
        score += (
            rules.factor("meld_na", "sodium_deficit") * deficit
            + rules.factor("meld_na", "sodium_deficit_score") * score * deficit
        )
    return {"score": _bound_score("meld_na", score, rules)}


def _meld_3(given: GivenInputs, rules: LiverRules) -> dict[str, object]:
    total, ln_bilirubin, ln_creatinine = _log_sum("meld_3", given, rules)
    sodium = _sodium_deficit("meld_3", given, rules)
    most_albumin = rules.factor("meld_3", "most_albumin_g_dl")
    least_albumin = rules.factor("meld_3", "least_albumin_g_dl")
    albumin = most_albumin - clamp(given.amounts["albumin_g_dl"], least_albumin, most_albumin)
    raw = (
        total
        + (rules.factor("meld_3", "female") if given.words["sex"] == "female" else 0)
        + rules.factor("meld_3", "sodium_deficit") * sodium
        + rules.factor("meld_3", "sodium_deficit_ln_bilirubin") * sodium * ln_bilirubin
        + rules.factor("meld_3", "albumin_deficit") * albumin
        + rules.factor("meld_3", "albumin_deficit_ln_creatinine") * albumin * ln_creatinine
    )
    return {
        "score": _bound_score("meld_3", raw, rules),
        "unrounded": write_number(round_half_up(raw, 4)),
        "uncapped": int(round_half_up(raw, 0)),
    }


def _albi(given: GivenInputs, rules: LiverRules) -> dict[str, object]:
    raw = (
        rules.factor("albi", "log10_bilirubin_umol_l") * given.amounts["bilirubin"].log10()
        + rules.factor("albi", "albumin_g_l") * given.amounts["albumin"]
    )
    return {
        "score": write_number(round_half_up(raw, 4)),
        "grade": rules.points("albi", "grade", raw),
    }


def _glasgow_blatchford(given: GivenInputs, rules: LiverRules) -> dict[str, object]:
    score = "glasgow_blatchford"
    items: list[tuple[str, Decimal | str]] = [
        ("urea", given.amounts["urea_mmol_l"]),
        (f"haemoglobin_{given.words['sex']}", given.amounts["haemoglobin"]),
        ("systolic_mmhg", given.amounts["systolic_mmhg"]),
        ("heart_rate_bpm", given.amounts["heart_rate_bpm"]),
    ]
    items += [
        (item, given.words[item])
        for item in ("melaena", "syncope", "hepatic_disease", "cardiac_failure")
    ]
    return {"points": sum(rules.points(score, item, one) for item, one in items)}


def _aims65(given: GivenInputs, rules: LiverRules) -> dict[str, object]:
    points = sum(
        rules.points("aims65", item, given.amounts[item])
        for item in ("albumin", "inr", "systolic_mmhg", "age_years")
    )
    word = given.words["altered_mental_status"]
    return {"points": points + rules.points("aims65", "altered_mental_status", word)}


def _creatinine_clearance(given: GivenInputs, rules: LiverRules) -> dict[str, object]:
    score = "creatinine_clearance"
    above = (rules.factor(score, "age_from_years") - given.amounts["age_years"]) * given.amounts[
        "weight_kg"
    ]
    # Creatinine in umol/L and its factor above the line: one division, so that a tie stays one.
    above *= rules.factor("units", "creatinine_umol_l_per_mg_dl")
    below = rules.factor(score, "divisor") * given.amounts["creatinine"]
    factor = rules.factor(score, "female") if given.words["sex"] == "female" else Decimal(1)
    return {"ml_per_min": write_number(round_half_up(above * factor / below, 2))}
