"""Surveillance after treatment: dated visits with windows, and the one act that comes next.

Which visits there are and when stands in ``data/follow_up``; which named conditions hold is
decided here. Reads no clock: today is part of the request.
"""

from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Literal

import msgspec

from api.clinical_rules.civil_date import add_days, add_interval
from api.clinical_rules.errors import CalculationRefusedError, ShapeError
from api.clinical_rules.follow_up_inputs import name_inputs
from api.clinical_rules.rule_book import RuleBook, name_rule_files
from api.clinical_rules.rule_file import Amount, Days, Months, Row, Words
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
_EARLY_LOOK = "follow_up/early_look"
_ENDS = ("died", "transferred", "declined")
_SEEN = ("attended", "done-elsewhere")
_FINDINGS = ("doppler_flow", "obliterated", "retreated")
_ASSUMED = ("cirrhosis", "transplant_listed", "on_beta_blocker", "oesophageal_banded")


class VisitRow(Row, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One visit of a follow-up plan."""

    visit: Words
    kind: Words
    label: Words
    owner_role: Literal["booking", "clinician"]
    anchor: Literal["procedure", "treatment", "last_look", "obliteration", "last_contact"]
    months: Months
    days: Days
    before_days: Days
    after_days: Days
    repeat_months: Months | None
    when: Literal[
        "always",
        "acute_bleed",
        "early_look",
        "flow_persists",
        "obliterated",
        "obliterated_or_retreated",
        "oesophageal_banded",
        "liver_ultrasound",
        "on_beta_blocker",
        "nothing_else",
    ]
    lapses: bool
    because: Words


class EarlyLookRow(Row, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Limits from which an early look is planned and from which a clinician takes over."""

    above_adhesive_ul: Amount
    from_coils: Amount
    no_shows_to_clinician: Annotated[int, msgspec.Meta(ge=1, le=20)]


class _Course(msgspec.Struct, frozen=True):
    """What the record says of the course so far."""

    index_on: str
    treated_on: str
    looked_on: str | None
    flow: bool | None
    obliterated_on: str | None
    last_contact_on: str
    is_retreated: bool


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
    Rules FU1-FU17. Pure.
    """
    read = READ_REQUEST(request, "")
    name = "follow_up/default" if read["plan"] == "default" else f"follow_up/{read['plan']}"
    if not rule_book.has(name) or name == _EARLY_LOOK:
        sentence = (
            f"No follow-up plan {read['plan']} is in force. Use default, or approve the plan."
        )
        raise CalculationRefusedError(sentence)
    plan = rule_book.rule_file(name, VisitRow)
    early = rule_book.rule_file(_EARLY_LOOK, EarlyLookRow)
    _refuse_impossible_days(read)
    happened = sorted(read.get("happened", []), key=lambda one: one["on"])
    conditions = read.get("conditions", {})
    course = _read_course(read["index_on"], happened)
    holds = _hold_conditions(read["acute_bleed"], conditions, course, early.rows[0])
    end = _find_end(happened)
    rows = [row for row in plan.rows if holds[row.when]]
    planned = [_visit(row, course, happened, read, is_ended=end is not None) for row in rows]
    visits = [
        _supersede(visit, planned, lapses=row.lapses)
        for row, visit in zip(rows, planned, strict=True)
    ]
    if end is None and not any(_is_open(visit) for visit in visits):
        visits += [
            _visit(row, course, happened, read, is_ended=False)
            for row in plan.rows
            if row.when == "nothing_else"
        ]
    visits.sort(key=lambda visit: (str(visit["target_on"]), str(visit["visit"])))
    return {
        "visits": visits,
        "next": None
        if end
        else _next_act(visits, happened, read["today_on"], early.rows[0].no_shows_to_clinician),
        "ended": end,
        "assumed": [f"{key}: false" for key in _ASSUMED if key not in conditions],
        "missing": _find_missing(conditions),
        "rule_files": name_rule_files(plan, early),
    }


def _read_course(index_on: str, happened: Sequence[Mapping[str, Any]]) -> _Course:
    seen = [one for one in happened if _is_seen(one)]
    retreated = [one["on"] for one in seen if one.get("retreated")]
    treated_on = max([index_on, *retreated])
    # A look on the day of the treatment itself came before it and says nothing of its result.
    after = [one for one in seen if one["on"] > treated_on]
    looks = [one for one in after if "doppler_flow" in one or "obliterated" in one]
    flow: bool | None = None
    obliterated_on: str | None = None
    for look in looks:
        gone = look.get("obliterated", False) and not look.get("doppler_flow", False)
        flow = look.get("doppler_flow", not gone)
        obliterated_on = (obliterated_on or look["on"]) if gone else None
    return _Course(
        index_on=index_on,
        treated_on=treated_on,
        looked_on=looks[-1]["on"] if looks else None,
        flow=flow,
        obliterated_on=obliterated_on,
        last_contact_on=max([index_on, *[one["on"] for one in seen]]),
        is_retreated=bool(retreated),
    )


def _hold_conditions(
    acute_bleed: bool,
    conditions: Mapping[str, Any],
    course: _Course,
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
        "obliterated": course.obliterated_on is not None,
        "obliterated_or_retreated": course.obliterated_on is not None or course.is_retreated,
        "oesophageal_banded": conditions.get("oesophageal_banded", False),
        "liver_ultrasound": conditions.get("cirrhosis", False)
        and (child in ("A", "B") or conditions.get("transplant_listed", False)),
        "on_beta_blocker": conditions.get("on_beta_blocker", False),
        "nothing_else": False,
    }


def _find_missing(conditions: Mapping[str, Any]) -> list[str]:
    """Return the condition that decides on the liver ultrasound and was not given (FU14)."""
    is_open = conditions.get("cirrhosis", False) and not conditions.get("transplant_listed", False)
    return ["conditions.child_class"] if is_open and "child_class" not in conditions else []


def _refuse_impossible_days(read: Mapping[str, Any]) -> None:
    """Refuse what is said to have happened after today, and an end before the beginning (FU17)."""
    for place, one in enumerate(read.get("happened", [])):
        if one["on"] > read["today_on"]:
            message = f"happened[{place}].on {one['on']} lies after today_on. Correct the day."
            raise ShapeError(message)
        if one["on"] < read["index_on"] and any(one.get(reason) for reason in _ENDS):
            message = f"happened[{place}].on {one['on']} lies before index_on. Correct the day."
            raise ShapeError(message)


def _is_seen(one: Mapping[str, Any]) -> bool:
    """Say whether a visit took place: it did where it left a finding (FU7)."""
    if "outcome" in one:
        return one["outcome"] in _SEEN
    return any(key in one for key in _FINDINGS)


def _find_end(happened: Sequence[Mapping[str, Any]]) -> dict[str, object] | None:
    for one in happened:
        for reason in _ENDS:
            if one.get(reason):
                return {"on": one["on"], "reason": reason}
    return None


def _visit(
    row: VisitRow,
    course: _Course,
    happened: Sequence[Mapping[str, Any]],
    read: Mapping[str, Any],
    *,
    is_ended: bool,
) -> dict[str, object]:
    anchors = {
        "procedure": course.index_on,
        "treatment": course.treated_on,
        "last_look": course.looked_on or course.treated_on,
        "obliteration": course.obliterated_on or course.treated_on,
        "last_contact": course.last_contact_on,
    }
    anchor_on = anchors[row.anchor]
    own = [one for one in happened if one["visit"] == row.visit and one["on"] > anchor_on]
    months, days = row.months, row.days
    is_repeated = False
    if row.repeat_months is not None:
        attended = [one["on"] for one in own if _is_seen(one)]
        if attended:
            # The next turn counts from the last one that took place (FU6).
            is_repeated = True
            anchor_on, months, days = attended[-1], row.repeat_months, 0
            own = [one for one in own if one["on"] > anchor_on]
    target_on = add_interval(anchor_on, months=months, days=days)
    earliest_on = add_days(target_on, -row.before_days)
    latest_on = add_days(target_on, row.after_days)
    outcomes = [one.get("outcome") for one in own if one.get("outcome")]
    if any(_is_seen(one) for one in own):
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


def _is_open(visit: Mapping[str, object]) -> bool:
    return visit["state"] not in ("attended", "ended")


def _supersede(
    visit: dict[str, object], visits: Sequence[Mapping[str, object]], *, lapses: bool
) -> dict[str, object]:
    """End a visit that was missed once a later one stands for it (FU8, FU13)."""
    later = [
        other
        for other in visits
        if other["state"] == "attended" and str(other["target_on"]) > str(visit["target_on"])
    ]
    if not _is_open(visit):
        return visit
    if any(other["kind"] == visit["kind"] for other in later):
        return {**visit, "state": "ended", "because": "A later visit of this kind took place."}
    if lapses and later:
        return {**visit, "state": "ended", "because": "A later visit took place."}
    return visit


def _next_act(
    visits: Sequence[Mapping[str, object]],
    happened: Sequence[Mapping[str, Any]],
    today_on: str,
    no_shows_to_clinician: int,
) -> dict[str, object]:
    """Return the one next act; an overdue or missed visit comes before a later one (FU9)."""
    open_visits = [visit for visit in visits if _is_open(visit)]
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
