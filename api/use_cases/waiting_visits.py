"""Which visits are to be seated, and for which a person has to act before; pure."""

from typing import Literal

from api.booking.booking_reasons import BookingReason
from api.use_cases.booking_records import BookingRecords, HeldBooking, HeldVisit

NO_MATTER: Literal[""] = ""
_OPEN = ("planned", "to-book", "booked", "no-show", "cancelled")


def why_waiting(
    visit: HeldVisit, records: BookingRecords, today_on: str, until_on: str
) -> BookingReason | Literal[""] | None:
    """Return None for a visit to be seated, `NO_MATTER` for one that needs no place, else why."""
    is_booked = bool(visit.bookings)
    is_open = visit.status in _OPEN or "status" in visit.unsettled
    is_to_book = is_open and visit.owner_role != "clinician"
    days = [day for one in visit.bookings if (day := day_told(one, records))]
    if not (any(today_on <= day <= until_on for day in days) if is_booked else is_to_book):
        return NO_MATTER
    fields = [
        name
        for name in ("patient", "status", "booking", "window", "owner_role", "label")
        if name in visit.unsettled
    ]
    if fields:
        return BookingReason("two-answers", {"field": fields[0]})
    if is_booked:
        return None
    if visit.window is None:
        return BookingReason("no-window")
    if visit.window[0] > until_on:
        return NO_MATTER
    patient = records.patients.get(visit.patient)
    if patient is None:
        return BookingReason("no-patient")
    if not patient.may_contact:
        return BookingReason("not-to-contact")
    return None


def day_told(booking: HeldBooking, records: BookingRecords) -> str:
    """Return the day on which somebody expects to come; "" for a booking without a session."""
    session = records.sessions.get(booking.session)
    return (booking.on or session.on) if session else ""
