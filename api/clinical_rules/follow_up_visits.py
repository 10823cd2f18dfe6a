"""Visits of a plan with their windows and states, and which of them comes next."""

from collections.abc import Mapping, Sequence
from typing import Any

from api.clinical_rules.civil_date import add_days, add_interval
from api.clinical_rules.follow_up_course import Course, is_seen
from api.clinical_rules.follow_up_inputs import name_inputs
from api.clinical_rules.follow_up_rows import VisitRow


def date_visit(
    row: VisitRow,
    course: Course,
    happened: Sequence[Mapping[str, Any]],
    read: Mapping[str, Any],
    *,
    is_ended: bool,
) -> dict[str, object]:
    """Return one visit of the plan with its window and state (FU4-FU7)."""
    anchors = {
        "procedure": course.index_on,
        "treatment": course.treated_on,
        "last_look": course.looked_on or course.treated_on,
        "unseen_look": course.unseen_on or course.treated_on,
        "obliteration": course.obliterated_on or course.treated_on,
        "last_contact": course.last_contact_on,
    }
    anchor_on = anchors[row.anchor]
    own = [one for one in happened if one["visit"] == row.visit and one["on"] > anchor_on]
    months, days = row.months, row.days
    is_repeated = False
    if row.repeat_months is not None:
        attended = [one["on"] for one in own if is_seen(one)]
        if attended:
            # The next turn counts from the last one that took place (FU6).
            is_repeated = True
            anchor_on, months, days = attended[-1], row.repeat_months, 0
            own = [one for one in own if one["on"] > anchor_on]
    target_on = add_interval(anchor_on, months=months, days=days)
    earliest_on = add_days(target_on, -row.before_days)
    latest_on = add_days(target_on, row.after_days)
    outcomes = [one.get("outcome") for one in own if one.get("outcome")]
    if any(is_seen(one) for one in own):
        state = "attended"
    elif is_ended:
        state = "ended"
    elif outcomes and outcomes[-1] == "no-show":
        state = "no-show-rebook"
    elif read["today_on"] > latest_on:
        state = "overdue"
    else:
        state = "due" if read["today_on"] >= earliest_on else "planned"
    return {
        "visit": row.visit,
        "kind": row.kind,
        "label": row.label,
        "anchor": row.anchor,
        "anchor_on": anchor_on,
        "earliest_on": earliest_on,
        "target_on": target_on,
        "latest_on": latest_on,
        "state": state,
        "owner_role": row.owner_role,
        "because": row.because,
        "basis": row.basis,
        "source": row.source,
        "inputs": name_inputs(row.anchor, row.when, read, is_repeated=is_repeated),
    }


def is_open(visit: Mapping[str, object]) -> bool:
    """Say whether a visit still needs an act of somebody."""
    return visit["state"] not in ("attended", "ended")


def supersede(
    visit: dict[str, object],
    visits: Sequence[Mapping[str, object]],
    happened: Sequence[Mapping[str, Any]],
    *,
    lapses: bool,
) -> dict[str, object]:
    """End a visit that was missed once a later one stands for it (FU8, FU13).

    What took place before a visit could be planned stands for nothing: the look on which nothing
    could be seen does not end the one that it asks for (FU18).
    """
    if not is_open(visit):
        return visit
    since = {
        one["visit"] for one in happened if is_seen(one) and one["on"] > str(visit["anchor_on"])
    }
    later = [
        other
        for other in visits
        if other["state"] == "attended"
        and str(other["target_on"]) > str(visit["target_on"])
        and other["visit"] in since
    ]
    if any(other["kind"] == visit["kind"] for other in later):
        return {**visit, "state": "ended", "because": "A later visit of this kind took place."}
    if lapses and later:
        return {**visit, "state": "ended", "because": "A later visit took place."}
    return visit


def find_next_act(
    visits: Sequence[Mapping[str, object]],
    happened: Sequence[Mapping[str, Any]],
    today_on: str,
    no_shows_to_clinician: int,
) -> dict[str, object]:
    """Return the one next act; an overdue or missed visit comes before a later one (FU9)."""
    open_visits = [visit for visit in visits if is_open(visit)]
    visit = min(open_visits, key=lambda one: (str(one["target_on"]), str(one["visit"])))
    missed = sum(
        1
        for one in happened
        if one["visit"] == visit["visit"]
        and one.get("outcome") == "no-show"
        and one["on"] > str(visit["anchor_on"])
    )
    owner, because = str(visit["owner_role"]), str(visit["because"])
    if missed >= no_shows_to_clinician:
        # Whatever was booked or cancelled since: who stayed away twice is a clinician's (HAZ-43).
        owner, because = "clinician", "Did not come twice: a clinician decides."
    elif str(visit["latest_on"]) < today_on:
        owner, because = "clinician", f"Past its latest date. {because}"
    elif visit["state"] == "no-show-rebook":
        owner, because = "booking", "Did not come: book again."
    return {
        "visit": visit["visit"],
        "on": max(today_on, str(visit["target_on"])),
        "owner_role": owner,
        "because": because,
    }
