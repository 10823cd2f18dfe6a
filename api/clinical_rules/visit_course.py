"""The course of one visit: an act on it, and what has to be recorded by it.

No act leaves a visit without owner and next day, and none but a clinician's ends it (HAZ-43,
HAZ-45). Reads no clock: today is part of the request.
"""

from collections.abc import Mapping
from typing import Any

from api.clinical_rules.civil_date import add_days
from api.clinical_rules.errors import CalculationRefusedError, ShapeError
from api.clinical_rules.rule_book import RuleBook, name_rule_files
from api.clinical_rules.shapes import civil_date, natural_number, one_of, shape, text
from api.clinical_rules.visit_course_limits import (
    find_book_by,
    find_escalation,
    lies_too_late,
    read_course_limits,
)
from api.clinical_rules.visit_course_table import (
    ACTS,
    END_REASONS,
    ENDED,
    NONE,
    ROLES,
    TOOK_PLACE,
    is_allowed,
    list_acts,
    read_state,
)

_STATUSES = (
    NONE,
    "planned",
    "to-book",
    "booked",
    "no-show",
    "cancelled",
    "attended",
    ENDED,
)
_WINDOW = shape({"earliest_on": civil_date, "target_on": civil_date, "latest_on": civil_date})
_VISIT = shape(
    {"status": one_of(*_STATUSES)},
    {
        "cancelled_by": one_of("patient", "unit"),
        "elsewhere": shape({"on": civil_date, "place": text}),
        "ended_because": one_of(*END_REASONS),
        "owner_role": one_of(*ROLES),
        "owner": text,
        "act_on": civil_date,
        "urgency": natural_number,
        "window": _WINDOW,
        "booked_on": civil_date,
        "no_shows": natural_number,
        "failed_tries": natural_number,
    },
)
_ACT = shape(
    {"act": one_of(*ACTS), "role": one_of(*ROLES), "today_on": civil_date},
    {
        "day": civil_date,
        "because": text,
        "cancelled_by": one_of("patient", "unit"),
        "place": text,
        "owner_role": one_of(*ROLES),
        "owner": text,
        "act_on": civil_date,
        "reason": one_of(*END_REASONS),
    },
)
_TAKE = shape({"visit": _VISIT, "act": _ACT})
_LOOK = shape({"visit": _VISIT, "role": one_of(*ROLES), "today_on": civil_date})


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
    read = _LOOK(request, "")
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
    read = _TAKE(request, "")
    visit, act = read["visit"], read["act"]
    limits, files = read_course_limits(rule_book)
    state = read_state(visit)
    _refuse_act(state, visit, act)
    _refuse_lack(visit, act)
    _refuse_days(visit, act, limits)
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


def _refuse_act(state: str, visit: Mapping[str, Any], act: Mapping[str, Any]) -> None:
    """Refuse an act that does not follow the state, or is another role's (CV2, CV3)."""
    name, role = act["act"], act["role"]
    owner_role = visit.get("owner_role")
    if is_allowed(name, state, role, owner_role):
        return
    if state not in ACTS[name].starts_from:
        listed = ", ".join(list_acts(state, role, owner_role)) or "nothing"
        sentence = f"{name} does not follow {state}. What can be done from here: {listed}."
    elif role not in ACTS[name].roles:
        sentence = f"{name} is for a clinician alone. Escalate the visit to a clinician."
    else:
        sentence = f"A clinician holds this visit: {name} is for a clinician. Ask the clinician."
    raise CalculationRefusedError(sentence)


def _refuse_lack(visit: Mapping[str, Any], act: Mapping[str, Any]) -> None:
    """Refuse an act without what it needs; a reason of blanks is none (CV4)."""
    for key in ACTS[act["act"]].needs:
        if _is_blank(act.get(key, "")):
            message = f"act.{key} is missing. Add it."
            raise ShapeError(message)
    if act["act"] == "plan" and "window" not in visit:
        raise ShapeError("visit.window is missing. Add it.")
    window = visit.get("window")
    if window and not window["earliest_on"] <= window["target_on"] <= window["latest_on"]:
        raise ShapeError("visit.window is not in order. Correct its days.")
    if act["act"] != "book" or window is None or not _is_blank(act.get("because", "")):
        return
    if not window["earliest_on"] <= act["day"] <= window["latest_on"]:
        message = (
            f"{act['day']} lies outside the window {window['earliest_on']} to "
            f"{window['latest_on']}. Add a reason, or choose a day inside."
        )
        raise ShapeError(message)


def _is_blank(content: str) -> bool:
    return not content.strip(" \t\r\n")


def _refuse_days(
    visit: Mapping[str, Any], act: Mapping[str, Any], limits: Mapping[str, int]
) -> None:
    """Refuse a day that cannot be, and a desk's next act put off too far (CV5, CV9)."""
    name, today_on = act["act"], act["today_on"]
    if name in ("book", "move"):
        if act["day"] < today_on:
            message = f"act.day {act['day']} lies before today. Choose a later day."
            raise ShapeError(message)
        _refuse_late_day(visit, act, limits)
    if name == "done-elsewhere" and act["day"] > today_on:
        message = f"act.day {act['day']} lies after today. Correct the day."
        raise ShapeError(message)
    if name == "no-show" and visit.get("booked_on", today_on) > today_on:
        message = (
            f"The booking is on {visit['booked_on']}: nobody has missed it yet. Move or cancel it."
        )
        raise ShapeError(message)
    if name != "hand-over":
        return
    if read_state(visit) in TOOK_PLACE and act["owner_role"] != "clinician":
        raise ShapeError("What the visit showed is a clinician's to note. Hand it to a clinician.")
    if act["act_on"] < today_on:
        message = f"act.act_on {act['act_on']} lies before today. Choose a later day."
        raise ShapeError(message)
    latest_on = max(
        visit.get("act_on", today_on),
        find_book_by(visit, today_on, limits),
        add_days(today_on, limits["rebook_within_days"]),
    )
    if act["role"] == "booking" and act["act_on"] > latest_on:
        message = (
            f"act.act_on {act['act_on']} lies after {latest_on}, the last day a desk may set. "
            "Choose an earlier day."
        )
        raise ShapeError(message)


def _refuse_late_day(
    visit: Mapping[str, Any], act: Mapping[str, Any], limits: Mapping[str, int]
) -> None:
    """Refuse a desk's booking that lies too late; an earlier day than before is always right."""
    if act["role"] == "clinician" or "window" not in visit:
        return
    latest_on, day = visit["window"]["latest_on"], act["day"]
    if act["act"] == "move":
        # Put off by the desk step after step, a visit would never come.
        counted_from = latest_on
        is_later = day > visit.get("booked_on", "")
    else:
        counted_from, is_later = act["today_on"], True
    if is_later and lies_too_late(day, visit, counted_from, limits):
        message = (
            f"{day} lies more than {limits['late_days_to_clinician']} days after the latest date "
            f"{latest_on}: so late a day is a clinician's. Choose an earlier day, or escalate the "
            "visit to a clinician."
        )
        raise CalculationRefusedError(message)


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
