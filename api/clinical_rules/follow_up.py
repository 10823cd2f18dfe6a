"""Surveillance after treatment: dated visits with windows, and the one act that comes next.

Which visits there are and when stands in ``data/follow_up``; which named conditions hold is
decided by name. Reads no clock: today is part of the request.
"""

from collections.abc import Mapping
from typing import Any

from api.clinical_rules.errors import CalculationRefusedError, ShapeError
from api.clinical_rules.follow_up_course import (
    ENDS,
    find_end,
    find_missing,
    hold_conditions,
    read_course,
)
from api.clinical_rules.follow_up_rows import EARLY_LOOK, NOT_PLANS, EarlyLookRow, VisitRow
from api.clinical_rules.follow_up_visits import date_visit, find_next_act, is_open, supersede
from api.clinical_rules.rule_book import RuleBook, name_rule_files
from api.clinical_rules.shapes import civil_date, flag, list_of, natural_number, one_of, shape, text

_CONDITIONS = {
    "cirrhosis": flag,
    "child_class": one_of("A", "B", "C"),
    "transplant_listed": flag,
    "on_beta_blocker": flag,
    "oesophageal_banded": flag,
    "adhesive_ul": natural_number,
    "coils": natural_number,
}
_HAPPENED = shape(
    {"visit": text, "on": civil_date},
    {
        "outcome": one_of("attended", "no-show", "cancelled", "done-elsewhere"),
        "doppler_flow": flag,
        "obliterated": flag,
        "not_seen": flag,
        "retreated": flag,
        "died": flag,
        "transferred": flag,
        "declined": flag,
    },
)
READ_REQUEST = shape(
    {"plan": text, "index_on": civil_date, "acute_bleed": flag, "today_on": civil_date},
    {"conditions": shape({}, _CONDITIONS), "happened": list_of(_HAPPENED)},
)
_ASSUMED = ("cirrhosis", "transplant_listed", "on_beta_blocker", "oesophageal_banded")


def answer_follow_up(request: object, rule_book: RuleBook) -> dict[str, object]:
    """Return the visits of a plan with their windows and states, and the next act.

    Parameters
    ----------
    request : object
        Parsed JSON with the keys of ``follow-up``.
    rule_book : RuleBook
        Holds the plan and ``follow_up/early_look``.

    Returns
    -------
    dict
        ``visits`` by target date, ``next`` (None only when ended), ``ended``, ``assumed``,
        ``missing`` (what a condition lacks to be decided), ``rule_files``.

    Raises
    ------
    ShapeError
        A key or type is wrong.
    CalculationRefusedError
        The plan is not in force.

    Notes
    -----
    Rules FU1-FU21. Pure.
    """
    read = READ_REQUEST(request, "")
    name = "follow_up/default" if read["plan"] == "default" else f"follow_up/{read['plan']}"
    if not rule_book.has(name) or name in NOT_PLANS:
        sentence = (
            f"No follow-up plan {read['plan']} is in force. Use default, or approve the plan."
        )
        raise CalculationRefusedError(sentence)
    plan = rule_book.rule_file(name, VisitRow)
    early = rule_book.rule_file(EARLY_LOOK, EarlyLookRow)
    _refuse_impossible_days(read)
    happened = sorted(read.get("happened", []), key=lambda one: one["on"])
    conditions = read.get("conditions", {})
    course = read_course(read["index_on"], happened, plan.rows)
    holds = hold_conditions(read["acute_bleed"], conditions, course, early.rows[0])
    end = find_end(happened)
    rows = [row for row in plan.rows if holds[row.when]]
    planned = [date_visit(row, course, happened, read, is_ended=end is not None) for row in rows]
    visits = [
        supersede(visit, planned, happened, lapses=row.lapses)
        for row, visit in zip(rows, planned, strict=True)
    ]
    if end is None and not any(is_open(visit) for visit in visits):
        visits += [
            date_visit(row, course, happened, read, is_ended=False)
            for row in plan.rows
            if row.when == "nothing_else"
        ]
    visits.sort(key=lambda visit: (str(visit["target_on"]), str(visit["visit"])))
    return {
        "visits": visits,
        "next": None
        if end
        else find_next_act(visits, happened, read["today_on"], early.rows[0].no_shows_to_clinician),
        "ended": end,
        "assumed": [f"{key}: false" for key in _ASSUMED if key not in conditions],
        "missing": find_missing(conditions, course, happened, plan.rows),
        "rule_files": name_rule_files(plan, early),
    }


def _refuse_impossible_days(read: Mapping[str, Any]) -> None:
    """Refuse what is said to have happened after today, and an end before the beginning (FU17)."""
    for place, one in enumerate(read.get("happened", [])):
        if one["on"] > read["today_on"]:
            message = f"happened[{place}].on {one['on']} lies after today_on. Correct the day."
            raise ShapeError(message)
        if one["on"] < read["index_on"] and any(one.get(reason) for reason in ENDS):
            message = f"happened[{place}].on {one['on']} lies before index_on. Correct the day."
            raise ShapeError(message)
