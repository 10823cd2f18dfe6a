"""The promise of follow-up, asked of the whole record: who breaks it, and what to do (FG1-FG7)."""

import msgspec

from api.clinical_rules.civil_date import add_days, is_civil_date
from api.clinical_rules.follow_up_gaps import (
    CaseStanding,
    Gap,
    GapKind,
    VisitStanding,
    find_gaps,
    find_next_act,
)
from api.clinical_rules.visit_course_limits import read_course_limits
from api.clinical_rules.visit_course_table import END_REASONS
from api.storage.device_store import Device
from api.storage.unit_store import UnitStore
from api.use_cases.errors import CalculationError, NotAllowedError
from api.use_cases.unit_settings import open_unit_book
from sync.merge import RecordState, shown_value

IMPLANTS = ("coil_placed", "adhesive_injected")
CLINICIANS = ("endoscopist", "anaesthetist")
# Fields of a visit that decide on its next act.
_DECIDING = ("act_on", "booking", "owner", "owner_role", "patient", "status", "window")


class ListedGap(msgspec.Struct, frozen=True, kw_only=True):
    """One gap with what people need to find the patient: local number, name, and the visit."""

    kind: GapKind
    patient: str
    number: str
    name: str
    case: str
    visit: str
    label: str
    what_to_do: str


class FollowUpCheck(msgspec.Struct, frozen=True, kw_only=True):
    """What the check of one day found.

    Parameters
    ----------
    checked : int
        Patients treated, or with a closed case.
    with_next_act, ended : int
        Those without a gap who have a next act, and those whose follow-up ended.
    """

    as_of_on: str
    checked: int
    with_next_act: int
    ended: int
    gaps: tuple[ListedGap, ...]


class _Standing(msgspec.Struct):
    cases: list[CaseStanding] = []
    visits: list[VisitStanding] = []


def check_follow_up(store: UnitStore, *, on: str) -> FollowUpCheck:
    """Return who has no next act on a day, patient by patient (FG1-FG7).

    Each kind is read in a transaction of its own, so that a push waits for none of them long;
    visits come last, after all that could call for one.

    Parameters
    ----------
    on : str
        Civil date of today.

    Raises
    ------
    CalculationError
        It is no date.
    """
    if not is_civil_date(on):
        message = f"{on} is no date. Give a date such as 2026-03-01."
        raise CalculationError(message)
    limits, _ = read_course_limits(open_unit_book(store, on=on))
    people = {state.record: state for state in _read(store, "patient")}
    clinicians = {
        state.record
        for state in _read(store, "staff")
        if shown_value(state.fields.get("role")) in CLINICIANS
    }
    standing: dict[str, _Standing] = {}
    for patient, case in _read_cases(store, clinicians, on):
        standing.setdefault(patient, _Standing()).cases.append(case)
    states = _read(store, "visit")
    noted = {name for state in _read(store, "visit_result") for name in _texts(state, "visit")}
    labels = {}
    for state in states:
        labels[state.record] = _text(state, "label")
        visit = _read_visit(state, clinicians, noted, limits["result_within_days"])
        for patient in _texts(state, "patient") or [""]:
            if patient in standing:
                standing[patient].visits.append(visit)
    gaps: list[ListedGap] = []
    with_next_act = ended = 0
    for patient, one in sorted(standing.items()):
        found = find_gaps(patient, one.cases, one.visits, today_on=on)
        gaps += [_list(gap, people.get(patient), labels) for gap in found]
        has_next = find_next_act(one.visits) is not None
        with_next_act += not found and has_next
        ended += not found and not has_next
    return FollowUpCheck(
        as_of_on=on,
        checked=len(standing),
        with_next_act=with_next_act,
        ended=ended,
        gaps=tuple(gaps),
    )


def refuse_stranger_to_care(device: Device) -> None:
    """Refuse a device that reads no care: who was treated is no business of booking (FU-11).

    Raises
    ------
    NotAllowedError
        It reads none.
    """
    if "care" not in device.streams:
        raise NotAllowedError("The follow-up check is for bedside devices. Ask one of those.")


def _read(store: UnitStore, kind: str) -> list[RecordState]:
    with store.transaction():
        return [state for state in store.views.of_kind(kind) if not state.is_entered_in_error]


def _read_cases(store: UnitStore, clinicians: set[str], on: str) -> list[tuple[str, CaseStanding]]:
    """Return the cases that were treated or closed, each with its patient; "" where it has none."""
    cases = {state.record: state for state in _read(store, "case")}
    treated = {
        case
        for kind in IMPLANTS
        for state in _read(store, kind)
        for case in _texts(state, "case") or [""]
    }
    found = []
    for record in sorted({*cases, *treated}):
        # A case that no device has sent yet, or that was struck, is listed without a patient.
        state = cases.get(record)
        stages = _texts(state, "stage")
        if record not in treated and "closed" not in stages:
            continue
        days = _texts(state, "procedure_on")
        reason = state.fields.get("no_follow_up_because") if state else None
        standing = CaseStanding(
            record=record,
            is_closed=bool({"closing", "closed"} & set(stages)) or min(days, default="") < on,
            reason=" ".join(_texts(state, "no_follow_up_because")).strip(),
            is_reason_sound=any(one.by in clinicians for one in (reason.values if reason else ())),
        )
        # Of two answers each is somebody who may have been treated.
        found += [(patient, standing) for patient in _texts(state, "patient") or [""]]
    return found


def _read_visit(
    state: RecordState, clinicians: set[str], noted: set[str], result_within_days: int
) -> VisitStanding:
    status = _text(state, "status")
    booked_on = _day(state, "booking", "on")
    target_on = _day(state, "window", "target_on")
    act_on = shown_value(state.fields.get("act_on"))
    act_on = act_on if isinstance(act_on, str) and is_civil_date(act_on) else ""
    day = act_on or (booked_on if status == "booked" else "") or target_on
    if status == "attended":
        took_place_on = _day(state, "elsewhere", "on") or booked_on or target_on
        day = max(act_on, add_days(took_place_on, result_within_days) if took_place_on else "")
    ended_because = _text(state, "ended_because")
    held = state.fields.get("status")
    ends = [one for one in (held.values if held else ()) if one.value == "ended"]
    return VisitStanding(
        record=state.record,
        case=_text(state, "case"),
        plan_visit=_text(state, "plan_visit"),
        status=status,
        owner_role=_text(state, "owner_role"),
        day=day,
        target_on=target_on,
        ended_because=ended_because,
        is_end_sound=ended_because in END_REASONS and any(one.by in clinicians for one in ends),
        has_result=state.record in noted,
        conflicts=tuple(name for name in _DECIDING if name in state.conflicts),
    )


def _day(state: RecordState, field: str, part: str) -> str:
    held = shown_value(state.fields.get(field))
    day = held.get(part) if isinstance(held, dict) else None
    return day if isinstance(day, str) and is_civil_date(day) else ""


def _text(state: RecordState, field: str) -> str:
    held = shown_value(state.fields.get(field))
    return held if isinstance(held, str) else ""


def _texts(state: RecordState | None, field: str) -> list[str]:
    held = state.fields.get(field) if state else None
    return [one.value for one in held.values if isinstance(one.value, str)] if held else []


def _list(gap: Gap, patient: RecordState | None, labels: dict[str, str]) -> ListedGap:
    def said(field: str) -> str:
        return " or ".join(_texts(patient, field))

    return ListedGap(
        kind=gap.kind,
        patient=gap.patient,
        number=said("local_id"),
        name=", ".join(one for one in (said("family_name"), said("given_name")) if one),
        case=gap.case,
        visit=gap.visit,
        label=labels.get(gap.visit, ""),
        what_to_do=gap.what_to_do,
    )
