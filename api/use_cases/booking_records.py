"""What the record says of sessions, visits and patients, as proposing and overbooking need it.

Any device may have written any value into a field: what is of another type counts as not written.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import msgspec

from api.clinical_rules.civil_date import is_civil_date
from api.clinical_rules.session_places import MOST_URGENT, answer_session_places
from api.storage.unit_store import UnitStore
from sync.merge import RecordState, shown_value

STRUCK = "entered-in-error"
NOT_HELD = "not-held"
_MOST_CAPACITY = 1_000


class HeldSession(msgspec.Struct, frozen=True, kw_only=True):
    """One session that has a day, or that somebody is booked into; ``capacity`` as in BK3.

    ``closed_because`` is ``not-held`` where no such session or no day of it is on record.
    """

    record: str
    place: str
    on: str
    starts: str
    capacity: int | None
    equipment: tuple[str, ...]
    closed_because: str


class HeldBooking(msgspec.Struct, frozen=True):
    """One answer about where a visit is booked."""

    session: str
    on: str
    stamp: str


class HeldVisit(msgspec.Struct, frozen=True, kw_only=True):
    """One visit that was not struck.

    Parameters
    ----------
    window : tuple of str or None
        Earliest, target and latest day; None where it is missing or makes no sense.
    bookings : tuple of HeldBooking
        Empty while it is not booked; two where two answers stand.
    unsettled : tuple of str
        Fields in which two answers stand.
    """

    record: str
    patient: str
    label: str
    status: str
    owner_role: str
    urgency: int
    window: tuple[str, str, str] | None
    bookings: tuple[HeldBooking, ...]
    unsettled: tuple[str, ...]


class HeldPatient(msgspec.Struct, frozen=True, kw_only=True):
    """What of a patient bears on where a visit may be."""

    record: str
    home_place: str
    travels: bool
    may_contact: bool


class BookingRecords(msgspec.Struct, frozen=True, kw_only=True):
    """Everything that proposing reads, by record."""

    sessions: dict[str, HeldSession]
    visits: dict[str, HeldVisit]
    patients: dict[str, HeldPatient]


def read_booking_records(store: UnitStore) -> BookingRecords:
    """Return sessions, visits and patients as the record shows them now."""
    with store.transaction():
        return gather_booking_records(
            *(store.views.of_kind(kind) for kind in ("clinic_session", "visit", "patient"))
        )


def gather_booking_records(
    sessions: Sequence[RecordState], visits: Sequence[RecordState], patients: Sequence[RecordState]
) -> BookingRecords:
    """Return what merged states of the three kinds say."""
    read = {one.record: _visit(one) for one in visits if not one.is_entered_in_error}
    held = {one.record: _session(one) for one in sessions}
    return BookingRecords(
        sessions={
            **{one.record: one for one in held.values() if one.on},
            **{one.record: one for one in _sessions_without_day(read.values(), held)},
        },
        visits=read,
        patients={one.record: _patient(one) for one in patients if not one.is_entered_in_error},
    )


def seat_bookings(records: BookingRecords) -> dict[str, dict[str, Any]]:
    """Return who holds a place and who is over, for each session that anybody is booked into.

    Notes
    -----
    Rules BK1-BK5, BK7.
    """
    named: dict[str, list[dict[str, Any]]] = {}
    for visit in records.visits.values():
        for booking in visit.bookings:
            named.setdefault(booking.session, []).append(
                {
                    "visit": visit.record,
                    "stamp": booking.stamp,
                    "urgency": visit.urgency,
                    "on": booking.on,
                }
            )
    return {
        record: answer_session_places({"bookings": named[record], **_as_asked(session)})
        for record, session in sorted(records.sessions.items())
        if record in named
    }


def _as_asked(session: HeldSession) -> dict[str, Any]:
    """Return a session as the rule asks for it: one that is not held has no day."""
    is_held = session.closed_because != NOT_HELD
    return {
        "capacity": session.capacity,
        "closed_because": session.closed_because if is_held else "",
        "held_on": session.on if is_held else "",
    }


def _session(state: RecordState) -> HeldSession:
    held = _parts(shown_value(state.fields.get("held")))
    capacities = [
        value
        for value in _answers(state, "capacity")
        if isinstance(value, int) and not isinstance(value, bool) and value >= 0
    ]
    closed = filter(None, map(_text, _answers(state, "closed_because")))
    equipment = shown_value(state.fields.get("equipment"))
    return HeldSession(
        record=state.record,
        place=_text(shown_value(state.fields.get("place"))),
        on=_day(held.get("on")),
        starts=_text(held.get("starts")),
        capacity=min([*capacities, _MOST_CAPACITY]) if capacities else None,
        equipment=tuple(filter(None, map(_text, equipment))) if isinstance(equipment, list) else (),
        closed_because=STRUCK if state.is_entered_in_error else next(closed, ""),
    )


def _sessions_without_day(
    visits: Iterable[HeldVisit], held: Mapping[str, HeldSession]
) -> Iterable[HeldSession]:
    """Yield the sessions without a day that somebody is booked into, with a day that he was told.

    Struck ones, those of which no day or two days are on record, and those never heard of.
    """
    for visit in visits:
        for booking in visit.bookings:
            known = held.get(booking.session)
            if booking.session and (known is None or not known.on):
                yield HeldSession(
                    record=booking.session,
                    place=known.place if known else "",
                    on=booking.on,
                    starts=known.starts if known else "",
                    capacity=0,
                    equipment=(),
                    closed_because=(known.closed_because if known else "") or NOT_HELD,
                )


def _visit(state: RecordState) -> HeldVisit:
    urgencies = [
        value
        for value in _answers(state, "urgency")
        if isinstance(value, int) and not isinstance(value, bool)
    ]
    window = _parts(shown_value(state.fields.get("window")))
    days = tuple(_day(window.get(name)) for name in ("earliest_on", "target_on", "latest_on"))
    earliest, target, latest = days
    # While two answers stand and one says booked, its place is not given away.
    is_booked = "booked" in _answers(state, "status")
    return HeldVisit(
        record=state.record,
        patient=_text(shown_value(state.fields.get("patient"))),
        label=_text(shown_value(state.fields.get("label"))),
        status=_text(shown_value(state.fields.get("status"))),
        owner_role=_text(shown_value(state.fields.get("owner_role"))),
        urgency=min(MOST_URGENT, max([0, *urgencies])),
        window=(earliest, target, latest) if all(days) and earliest <= target <= latest else None,
        bookings=tuple(_bookings(state)) if is_booked else (),
        unsettled=state.conflicts,
    )


def _bookings(state: RecordState) -> Iterable[HeldBooking]:
    field = state.fields.get("booking")
    for held in field.values if field else ():
        parts = _parts(held.value)
        yield HeldBooking(_text(parts.get("session")), _day(parts.get("on")), held.stamp)


def _patient(state: RecordState) -> HeldPatient:
    return HeldPatient(
        record=state.record,
        home_place=_text(shown_value(state.fields.get("home_place"))),
        travels=shown_value(state.fields.get("travels")) is True,
        # Also while two answers stand: a wish not to be contacted is not overruled.
        may_contact=not any(value is not False for value in _answers(state, "do_not_contact")),
    )


def _answers(state: RecordState, field: str) -> list[Any]:
    """Return every answer that stands in a field; None is what a person has taken out."""
    held = state.fields.get(field)
    return [one.value for one in held.values if one.value is not None] if held else []


def _parts(value: object) -> Mapping[str, Any]:
    return value if isinstance(value, dict) else {}


def _text(value: object) -> str:
    return value if isinstance(value, str) else ""


def _day(value: object) -> str:
    return value if isinstance(value, str) and is_civil_date(value) else ""
