"""How one case came to treatment: what cases are compared by. Pure."""

from collections.abc import Sequence
from typing import Any

import msgspec

from api.clinical_rules.errors import ClinicalRuleError
from api.clinical_rules.liver_scores import answer_liver_scores
from api.clinical_rules.rule_book import RuleBook
from api.documents.case_findings import ask_scores
from api.documents.shown_case import ShownCase, ShownRecord, parts_of

CHOICES = ("indication", "varix_class", "cause", "shunt")
# What each score is of. Child-Pugh: Pugh 1973; MELD: Kamath 2001.
_CHILD = (("bilirubin", "albumin", "inr"), ("ascites", "encephalopathy"))
_MELD = (("bilirubin", "inr", "creatinine"), ("dialysis",))

Found = tuple[dict[str, Any], list[str]]
# Name of a record, and its fields with those in doubt.
Named = tuple[str, dict[str, Any], list[str]]


def tell_choices(itself: ShownRecord) -> Found:
    """Return what was chosen of a list, and the fields with two answers (RG3)."""
    told = {name: itself.text(name) for name in CHOICES if itself.text(name)}
    return told, [name for name in CHOICES if name in itself.conflicts]


def tell_scores(case: ShownCase, treated_on: str, book: RuleBook) -> Found:
    """Return Child-Pugh points and MELD by what was known before the treatment.

    A score of which one part has two answers is in doubt, also where the rest would do.
    """
    before = msgspec.structs.replace(
        case, records=[one for one in case.records if not _is_later(one, treated_on)]
    )
    doubts = [
        name
        for name, (analytes, fields) in (("child_pugh_points", _CHILD), ("meld", _MELD))
        if _has_doubt(before, analytes, fields)
    ]
    try:
        answer: Any = answer_liver_scores(ask_scores(before), book)
    except ClinicalRuleError:
        return {}, doubts
    found = {
        "child_pugh_points": parts_of(answer["child_pugh"]).get("points"),
        "meld": parts_of(answer["meld"]).get("score"),
    }
    told = {name: value for name, value in found.items() if value is not None}
    return {name: value for name, value in told.items() if name not in doubts}, doubts


def tell_targets(case: ShownCase) -> Found:
    """Return how many varices were meant, and the short axis of the widest."""
    targets = case.targets()
    if any("size" in one.conflicts for one in targets):
        return {"targets": len(targets)}, ["short_axis_um"]
    axes = [axis for one in targets if (axis := one.whole("size", "short_axis_um"))]
    return {"targets": len(targets), **({"short_axis_um": max(axes)} if axes else {})}, []


def _is_later(one: ShownRecord, treated_on: str) -> bool:
    return one.kind == "lab_result" and one.text("result", "taken_on") > treated_on != ""


def _has_doubt(case: ShownCase, analytes: Sequence[str], fields: Sequence[str]) -> bool:
    every = case.of_kind("lab_result")
    return (
        any("result" in one.conflicts and one.text("analyte") in analytes for one in every)
        # Of two analytes it may be either.
        or any("analyte" in one.conflicts for one in every)
        or any(name in case.itself.conflicts for name in fields)
    )
