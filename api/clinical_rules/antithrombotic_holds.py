"""How long antithrombotic drugs are held before a planned procedure, profile by profile.

Never for an urgent procedure: a bleeding patient is a decision of the team.
"""

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

import msgspec

from api.clinical_rules.bands import BandRow, find_band, refuse_band_faults
from api.clinical_rules.civil_date import add_days
from api.clinical_rules.errors import CalculationRefusedError, RuleFileError
from api.clinical_rules.rule_book import RuleBook, name_rule_files
from api.clinical_rules.rule_file import Days, RuleFile, Words, path_of
from api.clinical_rules.shapes import civil_date, flag, list_of, number, one_of, shape, text

URGENT_TEXT = (
    "No hold is calculated for an urgent procedure. "
    "A bleeding patient is a decision of the team and local protocol."
)
_MOST_CLEARANCE = 300


class HoldRow(BandRow, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One drug, or one drug within bounds of creatinine clearance in mL/min.

    Either `refuse` says why there is no figure, or `hold_days` and `continue` give one.
    """

    drug: Words
    hold_days: Days | None = None
    continue_: bool = msgspec.field(default=False, name="continue")
    check: str | None = None
    refuse: str | None = None


def answer_antithrombotic_holds(request: object, rule_book: RuleBook) -> dict[str, object]:
    """Return the hold of each drug and the day of its last dose.

    Parameters
    ----------
    request : object
        Parsed JSON with the keys of ``antithrombotic-holds`` in RULES.md.
    rule_book : RuleBook
        Holds the profiles below ``antithrombotic_holds``.

    Returns
    -------
    dict
        ``holds`` in the order of the drugs asked for, and ``rule_files``.

    Raises
    ------
    ShapeError
        A key or type is wrong, or the profile is not in force.
    CalculationRefusedError
        The procedure is urgent, or no drug asked for has a figure.

    Notes
    -----
    Rules AH1-AH7. Pure.

    References
    ----------
    Named in the rule files, drug by drug; this function knows no numbers.
    """
    folder = "antithrombotic_holds"
    profiles = [name.removeprefix(f"{folder}/") for name in rule_book.names(folder)]
    read = shape(
        {"procedure_on": civil_date, "urgent": flag, "drugs": list_of(text)},
        {"profile": one_of(*profiles), "creatinine_clearance_ml_per_min": number},
    )(request, "")
    name = f"{folder}/{read['profile']}" if "profile" in read else rule_book.default_name(folder)
    profile = rule_book.rule_file(name, HoldRow)
    _refuse_faults(profile)
    if read["urgent"]:
        answer: dict[str, object] = {
            "holds": [],
            "refusal": {"kind": "urgent", "text": URGENT_TEXT},
            "rule_files": name_rule_files(profile),
        }
        raise CalculationRefusedError(URGENT_TEXT, answer)
    holds = [_hold(drug, profile.rows, read) for drug in read["drugs"]]
    answer = {"holds": holds, "rule_files": name_rule_files(profile)}
    if not any("hold_days" in hold for hold in holds):
        why = _say_why(holds[0]) if holds else "Name at least one drug."
        sentence = f"No hold can be calculated from this. {why}"
        raise CalculationRefusedError(sentence, answer)
    return answer


def _hold(drug: str, rows: Sequence[HoldRow], read: Mapping[str, Any]) -> dict[str, object]:
    own = [row for row in rows if row.drug == drug]
    if not own:
        unknown = f"The profile has no drug {drug}. Correct its name, or decide by local protocol."
        return {"drug": drug, "refusal": {"kind": "unknown-drug", "text": unknown}}
    row = own[0]
    if len(own) > 1:
        clearance: Decimal | None = read.get("creatinine_clearance_ml_per_min")
        if clearance is None:
            return {"drug": drug, "missing": ["creatinine_clearance_ml_per_min"]}
        if not 0 < clearance <= _MOST_CLEARANCE:
            outside = (
                f"creatinine_clearance_ml_per_min must lie above 0 and up to {_MOST_CLEARANCE}. "
                "Check the number."
            )
            return {"drug": drug, "refusal": {"kind": "out-of-range", "text": outside}}
        row = find_band(own, clearance)
    is_dated = row.hold_days is not None and not row.continue_
    last = {
        "basis": row.basis,
        "source": row.source,
        "inputs": _name_inputs(read, is_dated=is_dated, takes_clearance=len(own) > 1),
    }
    if row.refuse is not None or row.hold_days is None:
        return {"drug": drug, "refusal": {"kind": "no-figure", "text": row.refuse}, **last}
    return {
        "drug": drug,
        "hold_days": row.hold_days,
        "last_dose_on": None if row.continue_ else add_days(read["procedure_on"], -row.hold_days),
        "continue": row.continue_,
        "check": row.check,
        **last,
    }


def _name_inputs(read: Mapping[str, Any], *, is_dated: bool, takes_clearance: bool) -> list[str]:
    """Return the keys of the request that a hold rests on, in the order of RULES.md (AH7)."""
    used = {
        "profile": "profile" in read,
        "procedure_on": is_dated,
        "urgent": True,
        "drugs": True,
        "creatinine_clearance_ml_per_min": takes_clearance,
    }
    return [key for key, is_used in used.items() if is_used]


def _say_why(hold: dict[str, object]) -> str:
    refusal = hold.get("refusal")
    if isinstance(refusal, dict):
        return str(refusal["text"])
    return f"{hold['drug']} needs creatinine_clearance_ml_per_min. Add it."


def _refuse_faults(profile: RuleFile[HoldRow]) -> None:
    for place, row in enumerate(profile.rows, start=1):
        if (row.hold_days is None) == (row.refuse is None) or (row.continue_ and row.hold_days):
            message = (
                f"Rule file {path_of(profile)}: row {place} needs `hold_days` from 0 or `refuse`, "
                "and not both; a drug that continues is held 0 days. Correct it."
            )
            raise RuleFileError(message)
    for drug in {row.drug: None for row in profile.rows}:
        own = [row for row in profile.rows if row.drug == drug]
        if len(own) > 1:
            refuse_band_faults(path_of(profile), drug, own)
