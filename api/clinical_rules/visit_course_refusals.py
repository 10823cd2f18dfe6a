"""Acts on a visit that are refused: out of turn, for want of something, on a day that cannot be."""

from collections.abc import Mapping
from typing import Any

from api.clinical_rules.civil_date import add_days
from api.clinical_rules.errors import CalculationRefusedError, ShapeError
from api.clinical_rules.visit_course_limits import find_book_by, lies_too_late
from api.clinical_rules.visit_course_table import (
    ACTS,
    TOOK_PLACE,
    is_allowed,
    list_acts,
    read_state,
)


def refuse_act(state: str, visit: Mapping[str, Any], act: Mapping[str, Any]) -> None:
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


def refuse_lack(visit: Mapping[str, Any], act: Mapping[str, Any]) -> None:
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


def refuse_days(
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
