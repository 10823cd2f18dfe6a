"""What was known before the procedure: why, what was agreed, liver and blood. Pure.

Twin of `state/papers/case-findings.ts`.
"""

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from api.clinical_rules.civil_date import is_civil_date
from api.clinical_rules.errors import CalculationRefusedError, ClinicalRuleError
from api.clinical_rules.intended_use import count_years
from api.clinical_rules.lab_units import tell_in_other_unit
from api.clinical_rules.liver_rules import LiverRules
from api.clinical_rules.liver_scores import answer_liver_scores
from api.clinical_rules.rule_book import RuleBook
from api.documents.paper import Block, Lines, Pairs, Part, Table
from api.documents.paper_words import PaperWords, thousandths
from api.documents.shown_case import ShownCase, ShownRecord, parts_of, texts_in

_CHOICES = ("indication", "varix_class", "cause", "ascites", "encephalopathy")
_SHUNTS = ("shunt", "right_to_left_shunt")
_ANALYTES = (
    *("bilirubin", "albumin", "creatinine", "inr"),
    *("sodium", "platelets", "haemoglobin", "urea"),
)
_KEYS = {"inr": "inr", "sodium": "sodium_mmol_l"}
_NOT_ASKED = ("platelets",)


def report_reasons(case: ShownCase, words: PaperWords) -> Part:
    """Return why the case was treated, and its shunts."""
    itself = case.itself
    rows = [_row(case, field, words) for field in _CHOICES]
    rows.insert(2, (words.say("report.stigmata"), _list(itself, "stigmata", words)))
    past = itself.whole("past_bleeds")
    rows.insert(4, (words.say("report.past_bleeds"), "" if past is None else str(past)))
    rows += [_row(case, field, words) for field in _SHUNTS]
    rows.append((words.say("report.allergies"), _list(itself, "allergies", words)))
    return Part(words.say("report.reasons"), [_pairs(rows, words)])


def report_agreed(case: ShownCase, words: PaperWords) -> Part:
    """Return consent, airway, antibiotic and drugs as they were agreed."""
    itself = case.itself
    consent, airway = itself.parts("consent"), itself.parts("airway")
    taken_by, decided = consent.get("taken_by"), airway.get("decided_with")
    rows = [
        (
            words.say("report.consent"),
            _join(
                words.value("consent", consent.get("given")),
                case.name_of(taken_by) if isinstance(taken_by, str) else "",
                words.day(itself.text("consent", "on")),
            ),
        ),
        (
            words.say("report.airway"),
            _join(
                words.value("airway", airway.get("choice")),
                case.name_of(decided) if isinstance(decided, str) else "",
            ),
        ),
        (
            words.say("report.antibiotic"),
            _join(
                words.value("antibiotic", itself.parts("antibiotic").get("given")),
                itself.text("antibiotic", "agent"),
            ),
        ),
        (words.say("report.drugs"), say_drugs(case, words)),
    ]
    return Part(words.say("report.agreed"), [_pairs(rows, words)])


def say_drugs(case: ShownCase, words: PaperWords) -> str:
    """Return the drugs that thin the blood as they were entered, "" where nobody said."""
    drugs = case.itself.parts("antithrombotics").get("drugs")
    if drugs is None:
        return ""
    names = [words.value("drug", one).replace("_", " ") for one in texts_in(drugs)]
    return ", ".join(names) or words.say("report.no_drugs")


def ask_scores(case: ShownCase) -> dict[str, Any]:
    """Return the request for the liver scores; what is not entered, or in doubt, is left out."""
    request: dict[str, Any] = {}
    for lab in latest_labs(case):
        analyte, milli = lab.text("analyte"), lab.whole("result", "value_milli")
        unit = lab.text("result", "unit")
        # Nobody has said that a number without an origin was measured (HAZ-09).
        if analyte in _NOT_ASKED or milli is None or lab.text("result", "origin") == "":
            continue
        key = _KEYS.get(analyte, analyte)
        amount = milli // 1000 if milli % 1000 == 0 else milli / 1000
        request[key] = amount if key in _KEYS.values() else {"value": amount, "unit": unit}
    for field in ("ascites", "encephalopathy", "dialysis"):
        if field in case.itself.shows:
            request[field] = case.itself.shows[field]
    if case.patient_text("sex"):
        request["sex"] = case.patient_text("sex")
    born_on, on = case.patient_text("born_on"), case.day() or case.on
    if is_civil_date(born_on) and born_on <= on:
        request["age_years"] = count_years(born_on, on)
    return request


def latest_labs(case: ShownCase) -> list[ShownRecord]:
    """Return the latest result of each analyte, in their usual order."""
    found: list[ShownRecord] = []
    for analyte in _ANALYTES:
        held = [one for one in case.of_kind("lab_result") if one.text("analyte") == analyte]
        # The last of those of the latest day: sorting keeps the order of entry.
        found += sorted(held, key=lambda one: one.text("result", "taken_on"))[-1:]
    return found


def report_liver(
    case: ShownCase, book: RuleBook, words: PaperWords
) -> tuple[Part, Sequence[dict[str, Any]]]:
    """Return laboratory values and scores, and the rule files that the scores come from."""
    labs = latest_labs(case)
    heads = ("result", "amount", "unit", "origin", "taken_on")
    table = Table(
        [words.say(f"report.{head}") for head in heads],
        [
            [
                words.value("analyte", lab.text("analyte")),
                words.say("common.two_answers")
                if "result" in lab.conflicts
                else thousandths(lab.whole("result", "value_milli")),
                _unit_of(lab, book, words),
                words.value("origin", lab.text("result", "origin")),
                words.day(lab.text("result", "taken_on")),
            ]
            for lab in labs
        ],
        [1],
    )
    blocks: list[Block] = [table] if labs else [Lines([words.say("report.no_labs")])]
    if case.outside:
        return Part(words.say("report.liver"), blocks), []
    rows, files, remark = _score(case, book, words)
    blocks += [Pairs(rows)] if rows else []
    blocks += [Lines([remark])] if remark else []
    return Part(words.say("report.liver"), blocks), files


def _unit_of(lab: ShownRecord, book: RuleBook, words: PaperWords) -> str:
    """Return the unit, and the amount in the other one that is in use for it (HAZ-51)."""
    unit, milli = lab.text("result", "unit"), lab.whole("result", "value_milli")
    said = words.value("unit", unit)
    if milli is None or "result" in lab.conflicts:
        return said
    try:
        rules = LiverRules(book)
        other = tell_in_other_unit(lab.text("analyte"), Decimal(milli) / 1000, unit, rules)
    except ClinicalRuleError:
        return said
    return f"{said} ({other[0]} {words.value('unit', other[1])})" if other else said


def _score(
    case: ShownCase, book: RuleBook, words: PaperWords
) -> tuple[list[tuple[str, str]], Sequence[dict[str, Any]], str]:
    try:
        answer: Any = answer_liver_scores(ask_scores(case), book)
    except CalculationRefusedError:
        return [], [], words.say("report.no_scores")
    except ClinicalRuleError as error:
        return [], [], str(error)
    child, albi = parts_of(answer["child_pugh"]), parts_of(answer["albi"])
    rows = []
    if "class" in child:
        rows.append(("Child-Pugh", f"{child['class']} ({child['points']})"))
    for name, key in (("MELD", "meld"), ("MELD-Na", "meld_na"), ("MELD 3.0", "meld_3")):
        if "score" in answer[key]:
            rows.append((name, str(answer[key]["score"])))
    if "grade" in albi:
        rows.append(("ALBI", words.say("report.grade", grade=albi["grade"])))
    estimated = [
        words.value("analyte", lab.text("analyte"))
        for lab in latest_labs(case)
        if lab.text("result", "origin") not in ("measured", "")
    ]
    remark = words.say("report.estimated", names=", ".join(estimated)) if estimated else ""
    return rows, answer["rule_files"], remark


def _row(case: ShownCase, field: str, words: PaperWords) -> tuple[str, str]:
    shown = words.value(field, case.itself.text(field))
    in_doubt = field in case.itself.conflicts
    return words.say(f"report.{field}"), words.say("common.two_answers") if in_doubt else shown


def _list(itself: ShownRecord, field: str, words: PaperWords) -> str:
    if field in itself.conflicts:
        return words.say("common.two_answers")
    return words.listed(field, itself.texts(field))


def _pairs(rows: list[tuple[str, str]], words: PaperWords) -> Pairs:
    return Pairs([(label, shown or words.say("report.not_entered")) for label, shown in rows])


def _join(*parts: str) -> str:
    return ", ".join(part for part in parts if part)
