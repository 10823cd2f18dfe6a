"""List the sessions in which more visits are booked than there are places, and who is over."""

from collections.abc import Iterator
from typing import Any

import msgspec

from api.storage.unit_store import UnitStore
from api.use_cases.booking_records import BookingRecords, read_booking_records, seat_bookings


class OverVisit(msgspec.Struct, frozen=True, kw_only=True):
    """One visit without a place: ``why`` is a word of BK5, ``because`` says what to do."""

    visit: str
    patient: str
    why: str
    because: str


class OverSession(msgspec.Struct, frozen=True, kw_only=True):
    """One session with visits that are over.

    Parameters
    ----------
    on, starts : str
        Civil date and wall time at the place.
    capacity : int or None
        None where it is not known.
    holding : tuple of str
        Visits that hold a place, in the order in which places are given.
    """

    session: str
    place: str
    on: str
    starts: str
    capacity: int | None
    closed_because: str
    holding: tuple[str, ...]
    over: tuple[OverVisit, ...]


class OverBookings(msgspec.Struct, frozen=True):
    """Every such session, by day and time."""

    sessions: tuple[OverSession, ...]


def list_over_bookings(store: UnitStore, *, from_on: str) -> OverBookings:
    """Return the sessions from a civil date on in which somebody has no place (BK1-BK5, BK7).

    A session that was moved into the past is named while somebody was told a day from then on.
    """
    records = read_booking_records(store)
    found = [
        OverSession(
            session=record,
            place=session.place,
            on=session.on,
            starts=session.starts,
            capacity=session.capacity,
            closed_because=session.closed_because,
            holding=tuple(answer["holding"]),
            over=tuple(_over(one, records.visits[one["visit"]].patient) for one in answer["over"]),
        )
        for record, answer in seat_bookings(records).items()
        for session in [records.sessions[record]]
        if answer["over"]
        # A day that nobody can read is not past.
        and any(
            not on or on >= from_on for on in (session.on, *_days_told(records, answer, record))
        )
    ]
    return OverBookings(tuple(sorted(found, key=lambda one: (one.on, one.starts, one.session))))


def _days_told(records: BookingRecords, answer: dict[str, Any], session: str) -> Iterator[str]:
    """Yield the days that those without a place in a session were told."""
    for one in answer["over"]:
        for booking in records.visits[one["visit"]].bookings:
            if booking.session == session:
                yield booking.on


def _over(one: dict[str, Any], patient: str) -> OverVisit:
    return OverVisit(patient=patient, **one)
