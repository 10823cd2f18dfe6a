"""What somebody recorded on a visit, held against the table of its course.

`take_visit_act` says what an act records; this asks the other way round, whether any act records
that. On the unit server alone, which judges what devices send (HAZ-43, HAZ-45). Pure.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from api.clinical_rules.visit_course_table import (
    ACTS,
    END_REASONS,
    ENDED,
    NONE,
    ROLES,
    TO_DO,
    TOOK_PLACE,
)

# The fields on which the course of a visit decides who may change them.
JUDGED = ("status", "owner_role", "ended_because", "ended_on")
_CLINICIAN = "clinician"
# A status covers states that no row of the table tells apart (CV1).
_STATES_OF = {
    "cancelled": ("cancelled-by-patient", "cancelled-by-unit"),
    "attended": TOOK_PLACE,
}
_STATUSES = tuple(sorted({act.leaves for act in ACTS.values()} - {""}))
_WORDS = {NONE: "not there", **{status: status for status in _STATUSES}}
# What a field may have shown where nobody can read it any more.
ANYTHING: Mapping[str, tuple[object, ...]] = {
    "status": _STATUSES,
    "owner_role": ROLES,
    "ended_because": (None, *END_REASONS),
    # Whose it is to write does not turn on what stood there.
    "ended_on": (None,),
}


def refuse_recorded_act(
    fields: Mapping[str, Any], named: Mapping[str, Sequence[Any]], role: str
) -> str:
    """Return why no act of the course records this, "" where one does.

    Parameters
    ----------
    fields : mapping
        What was recorded on a visit; others than `JUDGED` are not looked at.
    named : mapping
        Field name to the values that it was written over: what was on the writer's screen.
    role : str
        As whom it was written: ``booking`` or ``clinician``.

    Returns
    -------
    str
        A clause that goes on "was not taken in: ...".

    Notes
    -----
    Rules CV11, CV13.
    """
    if fields.get("ended_because", "") is None and _goes_on(fields, named, role):
        # The reason of an end that was not chosen goes with it (CV6).
        fields = {name: value for name, value in fields.items() if name != "ended_because"}
    for name, refuse in (
        ("status", _refuse_status),
        ("owner_role", _refuse_owner),
        ("ended_because", _refuse_reason),
        ("ended_on", _refuse_day),
    ):
        if name in fields and (why := refuse(fields[name], _distinct(named, name), role)):
            return why
    return ""


def _distinct(named: Mapping[str, Sequence[Any]], name: str) -> list[Any]:
    found: list[Any] = []
    for one in named.get(name, ()):
        if one not in found:
            found.append(one)
    return found


def _refuse_status(status: object, named: list[Any], role: str) -> str:
    if status not in _STATUSES:
        return "no act leaves a visit as it says"
    if _settles(status, named, role):
        return ""
    before = named or [NONE]
    if any(_follows(str(status), one, role) for one in before):
        return ""
    told = " or ".join(_WORDS.get(one, "something else") for one in map(str, before))
    if any(_follows(str(status), one, _CLINICIAN) for one in before):
        return f"a visit that is {told} becomes {status} by a clinician's act alone"
    return f"a visit that is {told} does not become {status} by any act"


def _settles(status: object, named: list[Any], role: str) -> bool:
    """Say whether this answers a conflict: several values were on screen, and a person decides."""
    if len(named) < 2:  # noqa: PLR2004  one answer is no conflict
        return False
    return role == _CLINICIAN or (status in named and status != ENDED)


def _goes_on(fields: Mapping[str, Any], named: Mapping[str, Sequence[Any]], role: str) -> bool:
    """Say whether this settles on how a visit stands, and by no end."""
    status = fields.get("status", ENDED)
    return status != ENDED and _settles(status, _distinct(named, "status"), role)


def _follows(status: str, before: object, role: str) -> bool:
    """Say whether an act of a role leads from one status to another."""
    if before == NONE:
        # Planned, and at once what else was done in the same act: an end is recorded in any case.
        return role == _CLINICIAN
    if status == before or before not in _STATUSES:
        # It changes nothing, or leads out of what no act left; but who writes that a visit ended
        # vouches for it (FG6).
        return status != ENDED or role == _CLINICIAN
    states = _STATES_OF.get(str(before), (before,))
    if status == "no-show" and states[0] in TO_DO:
        # A call that nobody answers was never booked.
        return True
    return any(
        act.leaves == status and role in act.roles and states[0] in act.starts_from
        for act in ACTS.values()
    )


def _refuse_owner(owner_role: object, named: list[Any], role: str) -> str:
    if role == _CLINICIAN or named != [_CLINICIAN] or owner_role == _CLINICIAN:
        return ""
    return "a clinician holds the visit, and a desk takes none from a clinician"


def _refuse_reason(reason: object, named: list[Any], role: str) -> str:
    is_choice = len(named) > 1 and reason in named
    says_nothing = reason is None and not named
    if role == _CLINICIAN or is_choice or says_nothing:
        return ""
    return "why a visit ended is a clinician's to say"


def _refuse_day(day: object, named: list[Any], role: str) -> str:
    says_nothing = day is None and not named
    if role == _CLINICIAN or says_nothing:
        return ""
    return "on which day a visit ended is a clinician's to say"
