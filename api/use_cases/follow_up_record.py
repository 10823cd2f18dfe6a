"""Read from the whole record how follow-up stands: treated cases and their visits, by patient."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field

from api.clinical_rules.civil_date import add_days, is_civil_date
from api.clinical_rules.follow_up_rows import NOT_PLANS, VisitRow
from api.clinical_rules.follow_up_standings import CaseStanding, VisitStanding
from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.visit_course_limits import read_course_limits
from api.clinical_rules.visit_course_table import END_REASONS
from api.storage.unit_store import UnitStore
from api.use_cases.record_values import civil_date_of, known_zone, parts_of, text_of
from api.use_cases.unit_settings import open_unit_book
from api.use_cases.writings import civil_day
from sync.clock import read_stamp
from sync.merge import RecordState, shown_value
from sync.operation import Operation, decode_body

IMPLANTS = ("coil_placed", "adhesive_injected")
CLINICIANS = ("endoscopist", "anaesthetist")
_PLAN = "follow_up/default"
# Kinds of visits that look at the varix, and what one of them may find.
_LOOKS = ("look", "treatment", "yearly")
_FINDINGS = ("doppler_flow", "obliterated", "retreated")
# Fields of a visit that decide on its next act, or whose it is.
_DECIDING = (
    *("act_on", "booking", "case", "ended_because", "owner", "owner_role"),
    *("patient", "status", "window"),
)
_REASON = "no_follow_up_because"
_RECORDS_AT_ONCE = 1_000


@dataclass(frozen=True)
class PatientStanding:
    """One patient's treated or closed cases and all visits; `record` is "" for nobody.

    Nobody is one case: what its visits say holds for no other case that names no patient (FG10).
    """

    record: str
    is_struck: bool = False
    cases: list[CaseStanding] = field(default_factory=list)
    visits: list[VisitStanding] = field(default_factory=list)


@dataclass(frozen=True)
class _Around:
    """What cases and visits are read beside."""

    on: str
    zone: str
    clinicians: frozenset[str]
    limits: Mapping[str, int]


def read_follow_up(store: UnitStore, *, on: str) -> list[PatientStanding]:
    """Return everybody who was treated or has a closed case, and struck patients with visits.

    Each kind is read in a transaction of its own, so that a push waits for none of them long;
    visits come last, after all that could call for one.

    Parameters
    ----------
    on : str
        Civil date of today.

    Raises
    ------
    RuleFileError
        The limits of the course, or a plan, cannot be read.
    """
    book = open_unit_book(store, on=on)
    limits, _ = read_course_limits(book)
    around = _Around(
        on=on,
        zone=known_zone([text_of(one, "time_zone") for one in _read(store, "site")], "UTC"),
        clinicians=frozenset(
            one.record for one in _read(store, "staff") if text_of(one, "role") in CLINICIANS
        ),
        limits=limits,
    )
    with store.transaction():
        struck = {one.record for one in store.views.of_kind("patient") if one.is_entered_in_error}
    found: dict[tuple[str, str], PatientStanding] = {}
    for patient, case in _read_cases(store, around):
        key = (patient, "" if patient else case.record)
        found.setdefault(key, PatientStanding(patient, patient in struck)).cases.append(case)
    results = _read(store, "visit_result")
    noted = {name for one in results for name in texts_of(one, "visit")}
    seen = {name for one in results if _has_finding(one) for name in texts_of(one, "visit")}
    looks = _name_looks(book)
    states = _read(store, "visit")
    vouched = _read_vouched(
        store, [one for one in states if text_of(one, "status") == "ended"], around.clinicians
    )
    for state in states:
        has_result = state.record in (seen if _is_look(state, looks) else noted)
        visit = _read_visit(state, vouched.get(state.record, ()), around, has_result=has_result)
        for patient in texts_of(state, "patient") or [""]:
            if patient in struck and visit.is_open:
                found.setdefault((patient, ""), PatientStanding(patient, is_struck=True))
            # A visit that names neither patient nor case speaks for nobody.
            names_one = patient or visit.case
            one = found.get((patient, "" if patient else visit.case)) if names_one else None
            if one is not None:
                one.visits.append(visit)
    return [found[key] for key in sorted(found)]


def texts_of(state: RecordState | None, name: str) -> list[str]:
    """Return every text that stands in a field, one for each answer."""
    held = state.fields.get(name) if state else None
    return [one.value for one in held.values if isinstance(one.value, str)] if held else []


def _read(store: UnitStore, kind: str) -> list[RecordState]:
    with store.transaction():
        return [state for state in store.views.of_kind(kind) if not state.is_entered_in_error]


def _read_vouched(
    store: UnitStore, states: Iterable[RecordState], clinicians: frozenset[str]
) -> dict[str, list[Operation]]:
    """Return by record what a clinician wrote on a device that holds care: only that ends (FG6)."""
    wanted = [state.record for state in states]
    found: dict[str, list[Operation]] = {}
    for start in range(0, len(wanted), _RECORDS_AT_ONCE):
        with store.transaction():
            some = store.operations.of_records(wanted[start : start + _RECORDS_AT_ONCE])
            names = {one.device for written in some.values() for one in written}
            devices = {name: store.devices.find(name) for name in names}
        caring = {name for name, device in devices.items() if device and "care" in device.streams}
        for record, written in some.items():
            found[record] = [
                one
                for one in written
                if one.device in caring
                and one.body_text is not None
                and decode_body(one.body_text).by in clinicians
            ]
    return found


def _read_cases(store: UnitStore, around: _Around) -> list[tuple[str, CaseStanding]]:
    """Return the cases that were treated or closed, each with its patient; "" where it has none."""
    cases = {state.record: state for state in _read(store, "case")}
    treated: dict[str, list[str]] = {}
    for kind in IMPLANTS:
        for state in _read(store, kind):
            days = [day for text in texts_of(state, "at") if (day := civil_date_of(text[:10]))]
            for case in texts_of(state, "case") or [""]:
                treated.setdefault(case, []).extend(days)
    reasoned = [one for one in cases.values() if texts_of(one, _REASON)]
    vouched = _read_vouched(store, reasoned, around.clinicians)
    found = []
    for record in sorted({*cases, *treated}):
        # A case that no device has sent yet, or that was struck, is listed without a patient.
        case_state = cases.get(record)
        if record not in treated and "closed" not in texts_of(case_state, "stage"):
            continue
        standing = _read_case(
            record, case_state, treated.get(record), vouched.get(record, ()), around
        )
        # Of two answers each is somebody who may have been treated.
        found += [(patient, standing) for patient in texts_of(case_state, "patient") or [""]]
    return found


def _read_case(
    record: str,
    state: RecordState | None,
    implants_on: list[str] | None,
    vouched: Collection[Operation],
    around: _Around,
) -> CaseStanding:
    said_on = [day for day in texts_of(state, "procedure_on") if is_civil_date(day)]
    # A day of the procedure that was mistyped hides no implant that stands.
    first_on = min([*said_on, *(implants_on or ())], default="")
    treated_on = max(implants_on or [day for day in said_on if day <= around.on], default="")
    is_over = bool({"closing", "closed"} & set(texts_of(state, "stage")))
    reasons = state.fields.get(_REASON) if state else None
    stamps = [one.stamp for one in reasons.values] if reasons else []
    reason_on = min((_day_of(stamp, around.zone) for stamp in stamps), default="")
    due_on = add_days(reason_on, around.limits["decide_within_days"]) if reason_on else ""
    given_on = _given_on(state, (_REASON,), vouched, around.zone) if state else ""
    return CaseStanding(
        record=record,
        is_closed=is_over or first_on < around.on,
        treated_on=treated_on,
        reason=" ".join(texts_of(state, _REASON)).strip(),
        is_reason_sound=given_on != "",
        reason_on=given_on or reason_on,
        reason_due_on=due_on,
        has_two_reasons=state is not None and _REASON in state.conflicts,
    )


def _read_visit(
    state: RecordState, vouched: Collection[Operation], around: _Around, *, has_result: bool
) -> VisitStanding:
    status = text_of(state, "status")
    booked_on = _day_in(state, "booking", "on")
    target_on = _day_in(state, "window", "target_on")
    act_on = civil_date_of(shown_value(state.fields.get("act_on")))
    day = act_on or (booked_on if status == "booked" else "") or target_on
    if status == "attended":
        took_place_on = _took_place_on(state, booked_on or target_on, around.zone)
        within_days = around.limits["result_within_days"]
        noted_by = add_days(took_place_on, within_days) if took_place_on else ""
        # The day of a booking that was still ahead is no day until when a result may wait.
        day = noted_by if act_on == booked_on else max(act_on, noted_by)
    ended_because = text_of(state, "ended_because")
    ended_on = _given_on(state, ("status", "ended_because"), vouched, around.zone)
    return VisitStanding(
        record=state.record,
        case=text_of(state, "case"),
        plan_visit=text_of(state, "plan_visit"),
        status=status,
        owner_role=text_of(state, "owner_role"),
        day=day,
        target_on=target_on,
        ended_because=ended_because,
        is_end_sound=ended_because in END_REASONS and ended_on != "",
        ended_on=ended_on,
        has_result=has_result,
        conflicts=tuple(name for name in _DECIDING if name in state.conflicts),
    )


def _took_place_on(state: RecordState, expected_on: str, zone: str) -> str:
    """Return when an attended visit took place: it was seen at the latest when that was said."""
    elsewhere_on = _day_in(state, "elsewhere", "on")
    if elsewhere_on:
        return elsewhere_on
    held = state.fields["status"].values
    said_on = min(_day_of(one.stamp, zone) for one in held if one.value == "attended")
    return min((day for day in (expected_on, said_on) if day), default="")


def _given_on(
    state: RecordState, names: Iterable[str], vouched: Collection[Operation], zone: str
) -> str:
    """Return since when a clinician vouches for what all these fields show, "" where none does.

    Each of them must stand by what a clinician wrote: what somebody else changed afterwards is
    nobody's word for the whole (FG6).
    """
    days = []
    for name in names:
        held = state.fields.get(name)
        shown = shown_value(held)
        values = held.values if held else ()
        standing = {ref for one in values if one.value == shown for ref in one.references}
        own = [_day_of(one.stamp, zone) for one in vouched if one.reference in standing]
        if not own:
            return ""
        days.append(min(own))
    return min(days, default="")


def _has_finding(result: RecordState) -> bool:
    """Say whether a result tells what was seen; its day alone tells nothing (FG7)."""
    held = (result.fields.get(name) for name in _FINDINGS)
    return any(one.value is not None for found in held if found for one in found.values)


def _name_looks(book: RuleBook) -> tuple[frozenset[str], frozenset[str]]:
    """Return the visits that look at the varix, by name, and by label for those added by hand."""
    names, labels, known = set(), set(), set()
    for name in {_PLAN, *book.names("follow_up")} - {*NOT_PLANS}:
        for row in book.rule_file_or_listed(name, VisitRow).rows:
            if row.kind in _LOOKS:
                names.add(row.visit)
                # The screen asks by the first visit of a label.
                if row.label not in known:
                    labels.add(row.label)
            known.add(row.label)
    return frozenset(names), frozenset(labels)


def _is_look(state: RecordState, looks: tuple[frozenset[str], frozenset[str]]) -> bool:
    names, labels = looks
    plan_visit = text_of(state, "plan_visit")
    return plan_visit in names if plan_visit else text_of(state, "label") in labels


def _day_in(state: RecordState, name: str, part: str) -> str:
    return civil_date_of(parts_of(shown_value(state.fields.get(name))).get(part))


def _day_of(stamp: str, zone: str) -> str:
    at = read_stamp(stamp)
    return civil_day(at.wall_ms, zone) if at else ""
