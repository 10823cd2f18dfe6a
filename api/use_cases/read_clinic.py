"""Read what the booking stream says of visits, patients and sessions, from the log alone.

The same log gives the same facts on every server, in whatever order its entries came (FU-09).
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import msgspec

from api.clinical_rules.clinic_facts import (
    Clinic,
    Outcome,
    PatientFacts,
    SessionFacts,
    Slot,
    Try,
    VisitFacts,
    Window,
)
from api.storage.unit_store import UnitStore
from api.use_cases.booking_records import STRUCK
from api.use_cases.record_values import (
    civil_date_of,
    keep_last,
    known_zone,
    parts_of,
    text_of,
    time_of_day_of,
)
from api.use_cases.writings import civil_day, count_writings, day_since, in_order, wall_ms
from sync.clock import read_stamp
from sync.merge import RecordState, merge_record, shown_value
from sync.operation import Body, Operation

KINDS = ("patient", "visit", "clinic_session", "contact_attempt", "site")
_RECORDS_AT_ONCE = 1_000
_WINDOW = ("earliest_on", "target_on", "latest_on")

Held = dict[str, list[tuple[RecordState, list[Operation]]]]


@dataclass(frozen=True)
class _Surroundings:
    """What a visit is read beside."""

    sessions: Mapping[str, SessionFacts]
    session_writings: Mapping[str, tuple[int, int]]
    session_places: Mapping[str, tuple[str, ...]]
    patients: Mapping[str, PatientFacts]
    tries: Mapping[str, tuple[Try, ...]]
    time_zone: str


def read_clinic(store: UnitStore, *, time_zone: str) -> Clinic:
    """Return the clinic as the log tells it.

    Parameters
    ----------
    time_zone : str
        IANA name of the zone that holds where the unit's record names none.
    """
    with store.transaction():
        held = _read_held(store)
    all_sessions = held["clinic_session"]
    struck = {name: [one for one in held[name] if one[0].is_entered_in_error] for name in KINDS}
    held = {name: [one for one in held[name] if not one[0].is_entered_in_error] for name in KINDS}
    sites = [state for state, _ in held["site"]]
    unit_name = next((text for site in sites if (text := text_of(site, "name"))), "")
    zone = known_zone([text_of(site, "time_zone") for site in sites], time_zone)
    sessions = [_session(state, zone) for state, _ in held["clinic_session"]]
    struck_sessions = [
        _struck_session(state, operations, zone) for state, operations in struck["clinic_session"]
    ]
    patients = [_patient(state) for state, _ in held["patient"]]
    around = _Surroundings(
        sessions={one.record: one for one in (*sessions, *struck_sessions)},
        session_writings={
            state.record: count_writings(operations, {"held", "place", "closed_because"})
            for state, operations in all_sessions
        },
        session_places={
            state.record: _places_ever(operations) for state, operations in all_sessions
        },
        patients={one.record: one for one in patients},
        tries=_tries_by_visit(held["contact_attempt"], zone),
        time_zone=zone,
    )
    return Clinic(
        visits=tuple(_visit(state, operations, around) for state, operations in held["visit"]),
        struck_visits=tuple(
            _visit(state, operations, around) for state, operations in struck["visit"]
        ),
        patients=dict(around.patients),
        sessions=tuple(sorted(sessions, key=lambda one: (one.on, one.starts, one.record))),
        unit_name=unit_name,
        time_zone=zone,
    )


def _read_held(store: UnitStore) -> Held:
    wanted = [name for name in store.operations.records() if name.split("/", 1)[0] in KINDS]
    held: Held = {kind: [] for kind in KINDS}
    for start in range(0, len(wanted), _RECORDS_AT_ONCE):
        some = store.operations.of_records(wanted[start : start + _RECORDS_AT_ONCE])
        for record, operations in sorted(some.items()):
            kind = record.split("/", 1)[0]
            state = merge_record(record, operations, store.catalogue.policies_of(kind))
            held[kind].append((state, operations))
    return held


def _visit(state: RecordState, operations: list[Operation], around: _Surroundings) -> VisitFacts:
    standing = in_order(operations, state.struck)
    status = text_of(state, "status")
    slots = keep_last(
        slot
        for _, body in in_order(operations, ())
        if (slot := _slot(body.set.get("booking"), around)) is not None
    )
    slot = _slot(shown_value(state.fields.get("booking")), around)
    rivals: tuple[Slot, ...] = ()
    if "booking" in state.conflicts:
        held = state.fields["booking"].values
        rivals = tuple(one for value in held if (one := _slot(value.value, around)) is not None)
    elsewhere = parts_of(shown_value(state.fields.get("elsewhere")))
    seen_on = None
    if status == "attended":
        # Who came before the day booked came on the day on which that was said.
        said_on = day_since(standing, "attended", around.time_zone)
        days = [day for day in (slot.on if slot else "", said_on) if day]
        seen_on = civil_date_of(elsewhere.get("on")) or min(days, default=None)
    written, changed_ms = count_writings(operations, {"booking", "status", "owner"})
    # Each session once, by every booking ever made: what is added up never becomes less.
    of_sessions = [
        around.session_writings.get(name, (0, 0)) for name in {one.session for one in slots}
    ]
    patient = text_of(state, "patient")
    of_patient = around.patients.get(patient)
    window = parts_of(shown_value(state.fields.get("window")))
    return VisitFacts(
        record=state.record,
        patient=patient,
        case=text_of(state, "case"),
        label=text_of(state, "label"),
        status=status,
        ended_because=text_of(state, "ended_because"),
        window=Window(*(civil_date_of(window.get(name)) or None for name in _WINDOW)),
        slot=slot,
        slots=slots,
        told_slots=tuple(
            msgspec.structs.replace(one, place=place)
            for one in slots
            for place in around.session_places.get(one.session, ())
        ),
        rivals=rivals,
        owner=text_of(state, "owner"),
        owner_role=text_of(state, "owner_role"),
        owners=keep_last(
            owner
            for _, body in in_order(operations, ())
            if isinstance(owner := body.set.get("owner"), str)
        ),
        act_on=civil_date_of(shown_value(state.fields.get("act_on"))),
        seen_on=seen_on,
        begun_on=civil_day(wall_ms(standing[0][0]), around.time_zone) if standing else "",
        ended_on=day_since(standing, "ended", around.time_zone) if status == "ended" else "",
        is_elsewhere=bool(elsewhere),
        home_place=of_patient.home_place if of_patient else "",
        outcomes=_outcomes(standing, "" if elsewhere else seen_on or "", slot, around),
        tries=around.tries.get(state.record, ()),
        conflicts=state.conflicts,
        sequence=max(0, written + sum(count for count, _ in of_sessions) - 1),
        changed_ms=max((changed_ms, *(ms for _, ms in of_sessions))),
    )


def _outcomes(
    standing: list[tuple[Operation, Body]],
    came_on: str,
    slot: Slot | None,
    around: _Surroundings,
) -> tuple[Outcome, ...]:
    """Return what became of each appointment; two desks that say the same of one say it once."""
    found = []
    booked: Slot | None = None
    for operation, body in standing:
        booked = _slot(body.set.get("booking"), around) or booked
        if body.set.get("status") == "no-show":
            on = booked.on if booked else civil_day(wall_ms(operation), around.time_zone)
            found.append(Outcome(on, booked.place if booked else "", "no-show"))
    if came_on and slot is not None:
        found.append(Outcome(came_on, slot.place, "attended"))
    return keep_last(found)


def _slot(value: object, around: _Surroundings) -> Slot | None:
    booking = parts_of(value)
    on = civil_date_of(booking.get("on"))
    if not on:
        return None
    name = booking.get("session")
    session = around.sessions.get(name) if isinstance(name, str) else None
    return Slot(
        on=on,
        time=time_of_day_of(booking.get("time")) or (session.starts if session else ""),
        place=session.place if session else "",
        session=name if isinstance(name, str) else "",
        time_zone=session.time_zone if session else around.time_zone,
        is_held=not name
        or (session is not None and not session.closed_because and session.on == on),
    )


def _session(state: RecordState, zone: str) -> SessionFacts:
    held = parts_of(shown_value(state.fields.get("held")))
    closed = text_of(state, "closed_because")
    capacity = shown_value(state.fields.get("capacity"))
    return SessionFacts(
        record=state.record,
        place=text_of(state, "place"),
        on=civil_date_of(held.get("on")),
        starts=time_of_day_of(held.get("starts")),
        time_zone=known_zone([held.get("time_zone")], zone),
        capacity=capacity if isinstance(capacity, int) and capacity > 0 and not closed else 0,
        closed_because=closed,
    )


def _places_ever(operations: list[Operation]) -> tuple[str, ...]:
    return keep_last(
        place
        for _, body in in_order(operations, ())
        if isinstance(place := body.set.get("place"), str) and place
    )


def _struck_session(state: RecordState, operations: list[Operation], zone: str) -> SessionFacts:
    """Return a session as it was before it was struck: bookings and calendars name its place."""
    last: dict[str, object] = {}
    for _, body in in_order(operations, ()):
        last.update(body.set)
    held = parts_of(last.get("held"))
    place = last.get("place")
    return SessionFacts(
        record=state.record,
        place=place if isinstance(place, str) else "",
        on=civil_date_of(held.get("on")),
        starts=time_of_day_of(held.get("starts")),
        time_zone=known_zone([held.get("time_zone")], zone),
        capacity=0,
        closed_because=STRUCK,
    )


def _patient(state: RecordState) -> PatientFacts:
    needs = shown_value(state.fields.get("needs"))
    barred = state.fields.get("do_not_contact")
    numbers = state.fields.get("local_id")
    return PatientFacts(
        record=state.record,
        family_name=text_of(state, "family_name"),
        given_name=text_of(state, "given_name"),
        local_id=text_of(state, "local_id"),
        numbers=frozenset(
            number
            for held in (numbers.values if numbers else ())
            if isinstance(held.value, str) and (number := held.value.strip().casefold())
        ),
        phone=text_of(state, "phone"),
        address=text_of(state, "address"),
        letter_language=text_of(state, "letter_language"),
        home_place=text_of(state, "home_place"),
        needs=tuple(one for one in needs if isinstance(one, str))
        if isinstance(needs, list)
        else (),
        may_contact=not (barred and any(held.value is not False for held in barred.values)),
        conflicts=state.conflicts,
    )


def _tries_by_visit(
    held: Iterable[tuple[RecordState, list[Operation]]], zone: str
) -> dict[str, tuple[Try, ...]]:
    found: dict[str, list[Try]] = {}
    for state, operations in held:
        visit = _last(state, "visit")
        if isinstance(visit, str):
            stamp = min((one.stamp for one in operations), default="")
            at = read_stamp(stamp)
            on = civil_day(at.wall_ms, zone) if at else ""
            found.setdefault(visit, []).append(
                Try(on, str(_last(state, "how") or ""), str(_last(state, "result") or ""))
            )
    return {visit: tuple(sorted(tries, key=lambda one: one.on)) for visit, tries in found.items()}


def _last(state: RecordState, field: str) -> object:
    held = state.fields.get(field)
    return held.values[-1].value if held and held.values else None
