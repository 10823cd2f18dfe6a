"""What the record says of a follow-up so far, and which named conditions of a plan hold by it."""

from collections.abc import Mapping, Sequence
from typing import Any

import msgspec

from api.clinical_rules.follow_up_rows import EarlyLookRow, VisitRow

ENDS = ("died", "transferred", "declined")
_SEEN = ("attended", "done-elsewhere")
_RESULTS = ("doppler_flow", "obliterated")
FINDINGS = (*_RESULTS, "not_seen", "retreated")
_LOOK_KINDS = ("look", "yearly")
_SESSION = "treatment"


class Course(msgspec.Struct, frozen=True):
    """What the record says of the course so far.

    `looked_on` is the last look with a result, or the day of a session without treatment after
    it; `unseen_on` the last look, where the varix could not be seen on it.
    """

    index_on: str
    treated_on: str
    looked_on: str | None
    unseen_on: str | None
    flow: bool | None
    obliterated_on: str | None
    last_contact_on: str
    is_retreated: bool


def read_course(
    index_on: str, happened: Sequence[Mapping[str, Any]], rows: Sequence[VisitRow]
) -> Course:
    """Return the course as what happened, by day, tells it (FU5, FU11, FU18, FU21)."""
    sessions = {row.visit for row in rows if row.kind == _SESSION}
    seen = [one for one in happened if is_seen(one)]
    retreated = [one["on"] for one in seen if one.get("retreated")]
    treated_on = max([index_on, *retreated])
    # A look on the day of the treatment itself came before it and says nothing of its result.
    after = [one for one in seen if one["on"] > treated_on]
    looks = [one for one in after if _has_result(one)]
    tried = [one for one in after if _has_result(one) or one.get("not_seen")]
    untreated = [
        one["on"] for one in after if one["visit"] in sessions and one.get("retreated") is False
    ]
    flow: bool | None = None
    obliterated_on: str | None = None
    for look in looks:
        gone = look.get("obliterated", False) and not look.get("doppler_flow", False)
        flow = look.get("doppler_flow", not gone)
        obliterated_on = (obliterated_on or look["on"]) if gone else None
    return Course(
        index_on=index_on,
        treated_on=treated_on,
        looked_on=max([looks[-1]["on"], *untreated]) if looks else None,
        unseen_on=tried[-1]["on"] if tried and not _has_result(tried[-1]) else None,
        flow=flow,
        obliterated_on=obliterated_on,
        last_contact_on=max([index_on, *[one["on"] for one in seen]]),
        is_retreated=bool(retreated),
    )


def _has_result(one: Mapping[str, Any]) -> bool:
    """Say whether a look told of flow; it then counts as seen, whatever else was ticked (FU18)."""
    return any(key in one for key in _RESULTS)


def hold_conditions(
    acute_bleed: bool,
    conditions: Mapping[str, Any],
    course: Course,
    early: EarlyLookRow,
) -> dict[str, bool]:
    """Return which named conditions hold (FU3); no expression is read from a file."""
    child = conditions.get("child_class")
    return {
        "always": True,
        "acute_bleed": acute_bleed,
        "early_look": acute_bleed
        or course.flow is True
        or conditions.get("adhesive_ul", 0) > early.above_adhesive_ul
        or conditions.get("coils", 0) >= early.from_coils,
        "flow_persists": course.flow is True,
        "not_seen": course.unseen_on is not None,
        "retreated": course.is_retreated,
        "obliterated": course.obliterated_on is not None,
        "obliterated_or_retreated": course.obliterated_on is not None or course.is_retreated,
        "oesophageal_banded": conditions.get("oesophageal_banded", False),
        "liver_ultrasound": conditions.get("cirrhosis", False)
        and (child in ("A", "B") or conditions.get("transplant_listed", False)),
        "on_beta_blocker": conditions.get("on_beta_blocker", False),
        "nothing_else": False,
    }


def is_seen(one: Mapping[str, Any]) -> bool:
    """Say whether a visit took place: it did where it left a finding (FU7)."""
    if "outcome" in one:
        return one["outcome"] in _SEEN
    return any(key in one for key in FINDINGS)


def find_end(happened: Sequence[Mapping[str, Any]]) -> dict[str, object] | None:
    """Return day and reason of the first end that is recorded, None while there is none (FU12)."""
    for one in happened:
        for reason in ENDS:
            if one.get(reason):
                return {"on": one["on"], "reason": reason}
    return None


def find_missing(
    conditions: Mapping[str, Any],
    course: Course,
    happened: Sequence[Mapping[str, Any]],
    rows: Sequence[VisitRow],
) -> list[str]:
    """Return what was not given and decides on a visit (FU14, FU19).

    The Child class for the liver ultrasound; what the last look showed; whether the last session
    treated.
    """
    missing = []
    if _lacks_child_class(conditions):
        missing.append("conditions.child_class")
    kinds = {row.visit: row.kind for row in rows}
    after = [one for one in happened if is_seen(one) and one["on"] > course.treated_on]
    looks = [one for one in after if kinds.get(one["visit"]) in _LOOK_KINDS]
    if looks and not any(key in looks[-1] for key in FINDINGS):
        missing.append("happened.doppler_flow")
    sessions = [one for one in after if kinds.get(one["visit"]) == _SESSION]
    if sessions and "retreated" not in sessions[-1]:
        missing.append("happened.retreated")
    return missing


def _lacks_child_class(conditions: Mapping[str, Any]) -> bool:
    is_open = conditions.get("cirrhosis", False) and not conditions.get("transplant_listed", False)
    return is_open and "child_class" not in conditions
