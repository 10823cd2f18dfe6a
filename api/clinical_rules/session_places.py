"""Who holds a place in a clinic session and who is over, the same on every device.

Two desks can each give away the last place while the network is off. Both bookings are kept: one
of them is over, is listed, and a person finds another session for it. Pure.
"""

import re
from collections.abc import Sequence
from typing import Any

from api.clinical_rules.shapes import at_most, list_of, natural_number, shape, text

PHONE, SCOPE, ULTRASOUND_SCOPE = "phone", "scope", "ultrasound-scope"
MOST_URGENT = 3

# ASCII alone, as the twin's expressions are.
_PHONE, _TREATMENT, _SCOPE, _ULTRASOUND = (
    re.compile(words, re.ASCII | re.IGNORECASE)
    for words in (r"phone\b", r"treatment\b", r"\bscope\b", "ultrasound")
)
_TEXTS = {
    "closed": "This session is closed. Book another session for this visit.",
    "not-held": "No day is on record for this session. Book another session for this visit.",
    "another-day": "This session is held on another day than the one booked. Book this visit anew, "
    "and tell the patient the new day.",
    "no-places": "This session has no places. Book another session for this visit, or correct the "
    "number of places.",
    "less-urgent": "All places of this session are taken, the last one by a visit that is more "
    "urgent. Book another session for this one, or add a place.",
    "booked-later": "All places of this session were taken before this booking was made. Book "
    "another session for this visit, or add a place.",
    "same-moment": "The last place of this session was given away twice in the same moment, and "
    "the other visit keeps it. Book another session for this one, or add a place.",
}

_read = shape(
    {
        "bookings": list_of(
            shape({"visit": text, "stamp": text}, {"urgency": at_most(MOST_URGENT), "on": text}),
        )
    },
    {"capacity": natural_number, "closed_because": text, "held_on": text},
)


def answer_session_places(request: object) -> dict[str, Any]:
    """Return who holds a place in one session and who is over.

    Parameters
    ----------
    request : object
        Parsed JSON with the keys of ``session-places`` in RULES.md.

    Returns
    -------
    dict
        ``holding`` in the order of places; ``over``, each with ``why`` and ``because``.

    Raises
    ------
    ShapeError
        A key or type is wrong.

    Notes
    -----
    Rules BK1-BK5, BK7.
    """
    read = _read(request, "")
    held_on = read.get("held_on")
    barred = _say_why_barred(read)
    told = [one for one in read["bookings"] if held_on is None or one.get("on", "") == held_on]
    waiting = [] if barred else _order(told)
    # Whoever was told another day comes on that one: no place of this session is theirs.
    named = {one["visit"] for one in waiting}
    astray = [one for one in _order(read["bookings"]) if one["visit"] not in named]
    capacity = read.get("capacity")
    places = len(waiting) if capacity is None else capacity
    holding, over = waiting[:places], waiting[places:]
    return {
        "holding": [one["visit"] for one in holding],
        "over": [
            *(_explain(one, _say_why_over(one, holding)) for one in over),
            *(_explain(one, barred or "another-day") for one in astray),
        ],
    }


def needed_equipment(label: str) -> str:
    """Return what a visit of this label needs in the room; "" where any clinic does (BK6)."""
    if _PHONE.match(label):
        return PHONE
    if _TREATMENT.match(label):
        return ULTRASOUND_SCOPE
    if not _SCOPE.search(label):
        return ""
    return ULTRASOUND_SCOPE if _ULTRASOUND.search(label) else SCOPE


def fits_session(needed: str, equipment: Sequence[str]) -> bool:
    """Say whether a session has what a visit needs (BK6)."""
    if needed == "":
        return not equipment or any(item != PHONE for item in equipment)
    return needed in equipment or (needed == SCOPE and ULTRASOUND_SCOPE in equipment)


def _order(bookings: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return each visit once, in the order in which places are given (BK1, BK2)."""
    ordered = sorted(
        ({"urgency": 0, **one} for one in bookings),
        key=lambda one: (-one["urgency"], one["stamp"], one["visit"]),
    )
    first: dict[str, dict[str, Any]] = {}
    for one in ordered:
        first.setdefault(one["visit"], one)
    return list(first.values())


def _say_why_barred(read: dict[str, Any]) -> str:
    """Return why the session has a place for nobody, "" where it has (BK3, BK7)."""
    if read.get("closed_because", "") != "":
        return "closed"
    return "not-held" if read.get("held_on") == "" else ""


def _say_why_over(one: dict[str, Any], holding: Sequence[dict[str, Any]]) -> str:
    if not holding:
        return "no-places"
    if holding[-1]["urgency"] > one["urgency"]:
        return "less-urgent"
    return "booked-later" if holding[-1]["stamp"] != one["stamp"] else "same-moment"


def _explain(one: dict[str, Any], why: str) -> dict[str, str]:
    return {"visit": one["visit"], "why": why, "because": _TEXTS[why]}
