"""The course of one visit: an act on it, and what has to be recorded by it.

No act leaves a visit without owner and next day, and none but a clinician's ends it (HAZ-43,
HAZ-45). Reads no clock: today is part of the request.
"""

from collections.abc import Mapping
from typing import Any

from api.clinical_rules.civil_date import add_days
from api.clinical_rules.rule_book import RuleBook, name_rule_files
from api.clinical_rules.visit_course_limits import (
    find_book_by,
    find_escalation,
    lies_too_late,
    read_course_limits,
)
from api.clinical_rules.visit_course_refusals import refuse_act, refuse_days, refuse_lack
from api.clinical_rules.visit_course_request import READ_LOOK, READ_TAKE
from api.clinical_rules.visit_course_table import ACTS, ENDED, list_acts, read_state


def look_at_visit(request: object, rule_book: RuleBook) -> dict[str, object]:
    """Return the state of a visit, what a role may do with it, and whether a clinician must look.

    Parameters
    ----------
    request : object
        Parsed JSON: ``visit``, ``role`` and ``today_on``.
    rule_book : RuleBook
        Holds ``follow_up/course`` and ``follow_up/early_look``, in force or listed.

    Returns
    -------
    dict
        ``state``; ``acts``, each with ``act`` and the keys it ``needs``; ``escalate`` ("" or why);
        ``rule_files``.

    Raises
    ------
    ShapeError
        A key or type is wrong.

    Notes
    -----
    Rules CV1-CV3, CV8. Pure.
    """
    read = READ_LOOK(request, "")
    visit = read["visit"]
    limits, files = read_course_limits(rule_book)
    state = read_state(visit)
    acts = list_acts(state, read["role"], visit.get("owner_role"))
    return {
        "state": state,
        "acts": [{"act": name, "needs": list(ACTS[name].needs)} for name in acts],
        "escalate": find_escalation(state, visit, read["today_on"], limits),
        "rule_files": name_rule_files(*files),
    }


def take_visit_act(request: object, rule_book: RuleBook) -> dict[str, object]:
    """Return what an act on a visit records.

    Parameters
    ----------
    request : object
        Parsed JSON: ``visit`` as it stands and ``act``.
    rule_book : RuleBook
        Holds ``follow_up/course`` and ``follow_up/early_look``, in force or listed.

    Returns
    -------
    dict
        ``set``: the fields to record, only those that change, but the status with every act that
        has one and all of an end, so that what others do meanwhile collides; ``state`` after it;
        ``next`` (``owner_role`` and ``act_on``), None once ended; ``escalated`` ("" or why a
        clinician holds it now); ``rule_files``. Place and time of a booking are the caller's to
        record.

    Raises
    ------
    ShapeError
        A key or type is wrong, the act lacks what it needs, or a day cannot be.
    CalculationRefusedError
        The act does not follow this state, or is not for this role.

    Notes
    -----
    Rules CV1-CV10. Pure.
    """
    read = READ_TAKE(request, "")
    visit, act = read["visit"], read["act"]
    limits, files = read_course_limits(rule_book)
    state = read_state(visit)
    refuse_act(state, visit, act)
    refuse_lack(visit, act)
    refuse_days(visit, act, limits)
    fields, escalated = _leave(state, visit, act, limits)
    after = {**visit, **fields}
    is_ended = fields.get("status") == ENDED
    changed = {
        key: part
        for key, part in fields.items()
        # Written though it stays (CV10): of two acts on one visit, none is taken for the other.
        if is_ended or key == "status" or part != visit.get(key)
    }
    return {
        "set": changed,
        "state": read_state({key: part for key, part in after.items() if part is not None}),
        "next": None
        if is_ended
        else {"owner_role": after["owner_role"], "act_on": after["act_on"]},
        "escalated": escalated,
        "rule_files": name_rule_files(*files),
    }


def _leave(
    state: str, visit: Mapping[str, Any], act: Mapping[str, Any], limits: Mapping[str, int]
) -> tuple[dict[str, Any], str]:
    """Return the fields after an act, and why a clinician holds the visit by it."""
    status = ACTS[act["act"]].leaves
    if status == ENDED:
        return {
            "status": status,
            "ended_because": act["reason"],
            "owner_role": "clinician",
            "act_on": None,
        }, ""
    fields: dict[str, Any] = {"status": status} if status else {}
    fields |= _note(state, visit, act, limits)
    owner_role, act_on, escalated = _hand_on(visit, act, limits)
    kept = visit.get("owner") if owner_role == visit.get("owner_role") else None
    owner = act.get("owner", kept)
    return {**fields, "owner_role": owner_role, "owner": owner, "act_on": act_on}, escalated


def _note(
    state: str, visit: Mapping[str, Any], act: Mapping[str, Any], limits: Mapping[str, int]
) -> dict[str, Any]:
    """Return what an act records beside status, owner and day (CV6)."""
    name = act["act"]
    if name == "cancel":
        return {"cancelled_by": act["cancelled_by"]}
    if name == "no-show":
        return {"urgency": min(visit.get("urgency", 0) + 1, limits["most_urgency"])}
    if name == "done-elsewhere":
        return {"elsewhere": {"on": act["day"], "place": act["place"]}}
    if name == "reopen":
        return {"ended_because": None} if state == ENDED else {"elsewhere": None}
    return {}


def _hand_on(
    visit: Mapping[str, Any], act: Mapping[str, Any], limits: Mapping[str, int]
) -> tuple[str, str, str]:
    """Return who holds the visit after an act, until when, and why a clinician does (CV5-CV9)."""
    name, today_on = act["act"], act["today_on"]
    held_by = visit.get("owner_role", "booking")
    if name == "hand-over":
        return act["owner_role"], act["act_on"], ""
    if name == "plan" and act["owner_role"] == "clinician":
        return "clinician", max(today_on, visit["window"]["target_on"]), ""
    if name in ("plan", "ask-to-book", "reopen"):
        return "booking", find_book_by(visit, today_on, limits), ""
    if name in ("book", "move"):
        # Only a clinician books so late, and holds the visit from then on.
        is_late = lies_too_late(act["day"], visit, today_on, limits)
        return "clinician" if is_late else held_by, act["day"], ""
    if ACTS[name].leaves == "attended":
        # What it showed is a clinician's to note: only then the next visit follows.
        return "clinician", add_days(today_on, limits["result_within_days"]), ""
    decide_on = add_days(today_on, limits["decide_within_days"])
    if name == "escalate":
        return "clinician", decide_on, "asked"
    missed = visit.get("no_shows", 0) + (1 if name == "no-show" else 0)
    told = {**visit, "no_shows": missed, "act_on": ""}
    escalated = find_escalation("no-show", told, today_on, limits)
    if escalated or held_by == "clinician":
        return "clinician", decide_on, escalated
    return "booking", add_days(today_on, limits["rebook_within_days"]), ""
