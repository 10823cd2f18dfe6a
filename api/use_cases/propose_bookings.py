"""Propose a session for every visit that needs one; nothing is written, a person books."""

from collections.abc import Collection
from typing import Literal

import msgspec
import numpy as np

from api.booking.booking_costs import CostRules, weigh_choices
from api.booking.booking_optimum import find_optimum
from api.booking.booking_problem import MOST_DAYS, MOST_VISITS, Problem, Session, Visit
from api.booking.booking_reasons import explain_seats
from api.booking.errors import BookingError
from api.clinical_rules.civil_date import add_days, days_between, is_civil_date
from api.clinical_rules.session_places import needed_equipment
from api.storage.unit_store import UnitStore
from api.use_cases.booking_records import (
    BookingRecords,
    HeldBooking,
    HeldSession,
    HeldVisit,
    read_booking_records,
    seat_bookings,
)
from api.use_cases.errors import CalculationError

# Unit setting (project default): nobody is asked to come on the day itself.
NOTICE_DAYS = 1
_OPEN = ("planned", "to-book", "booked", "no-show", "cancelled")


class Proposal(msgspec.Struct, frozen=True, kw_only=True):
    """One visit and the session proposed for it.

    Parameters
    ----------
    standing : str
        ``kept`` where it is booked into this session already, ``moved`` where into another.
    on, starts : str
        Civil date and wall time at the place.
    because : str
        Why, in plain sentences.
    """

    visit: str
    patient: str
    session: str
    on: str
    starts: str
    place: str
    standing: Literal["kept", "new", "moved"]
    because: str


class Unbooked(msgspec.Struct, frozen=True, kw_only=True):
    """One visit for which there is no session; ``because`` says why and what to do."""

    visit: str
    patient: str
    because: str


class Proposals(msgspec.Struct, frozen=True, kw_only=True):
    """Proposals by day, time and place; nobody is left out of both lists.

    ``cost`` has no unit; ``is_optimal`` says whether it was proved that none is lower.
    """

    proposals: tuple[Proposal, ...]
    unbooked: tuple[Unbooked, ...]
    cost: int
    is_optimal: bool


def propose_bookings(
    store: UnitStore,
    *,
    today_on: str,
    until_on: str,
    visits: Collection[str] | None = None,
    may_move: bool = False,
) -> Proposals:
    """Return the cheapest way to seat the visits that need a place until a day.

    Parameters
    ----------
    today_on, until_on : str
        Civil dates; places are proposed from the day after the first to the last.
    visits : collection of str or None
        Visits to propose for; None for all. Bookings of others keep their places.
    may_move : bool
        Whether a booking that can stand may be moved where that serves all better.

    Raises
    ------
    CalculationError
        A date is none, the horizon is too long, or a visit is not known here.

    Notes
    -----
    A visit in which two answers stand, without a window, or of a patient who is not to be
    contacted is listed as unbooked: a person has to act first. No part of it are a clinician's own
    visits, bookings of days that have passed or without a session, and windows that begin later.
    """
    _refuse_dates(today_on, until_on)
    return propose_for_records(
        read_booking_records(store),
        today_on=today_on,
        until_on=until_on,
        visits=visits,
        may_move=may_move,
    )


def propose_for_records(
    records: BookingRecords,
    *,
    today_on: str,
    until_on: str,
    visits: Collection[str] | None = None,
    may_move: bool = False,
) -> Proposals:
    """Return what `propose_bookings` does, of records already read; pure.

    Raises
    ------
    CalculationError
        A date is none, the horizon is too long, or a visit is not among the records.
    """
    _refuse_dates(today_on, until_on)
    unknown = sorted(set(visits or ()) - set(records.visits))
    if unknown:
        message = f"No visit {unknown[0][:80]} is held here. Exchange first, then propose again."
        raise CalculationError(message)
    rules = CostRules(may_move=may_move)
    problem, waiting = _make_problem(records, today_on, until_on, visits)
    capacities = np.array([one.capacity for one in problem.sessions], np.int64)
    try:
        choices = weigh_choices(problem, rules)
        optimum = find_optimum(choices, capacities)
    except BookingError as error:
        raise CalculationError(str(error)) from error
    reasons = explain_seats(problem, rules, choices, optimum.seats)
    proposals, unbooked = [], list(waiting)
    for visit, seat, because in zip(problem.visits, optimum.seats.tolist(), reasons, strict=True):
        if seat < 0:
            unbooked.append(Unbooked(visit=visit.record, patient=visit.patient, because=because))
        else:
            proposals.append(_propose(visit, problem.sessions[seat], because))
    return Proposals(
        proposals=tuple(
            sorted(proposals, key=lambda one: (one.on, one.starts, one.place, one.visit))
        ),
        unbooked=tuple(sorted(unbooked, key=lambda one: one.visit)),
        cost=optimum.cost,
        is_optimal=optimum.is_optimal,
    )


def _propose(visit: Visit, session: Session, because: str) -> Proposal:
    is_kept = visit.held == session.record and not visit.told_on
    return Proposal(
        visit=visit.record,
        patient=visit.patient,
        session=session.record,
        on=session.on,
        starts=session.starts,
        place=session.place,
        standing="kept" if is_kept else "moved" if visit.held else "new",
        because=because,
    )


def _make_problem(
    records: BookingRecords, today_on: str, until_on: str, asked: Collection[str] | None
) -> tuple[Problem, list[Unbooked]]:
    """Return the problem, and the visits for which a person has to act before."""
    sessions = {
        record: one for record, one in records.sessions.items() if today_on <= one.on <= until_on
    }
    seated = seat_bookings(records)
    over = {(one["visit"], record) for record, answer in seated.items() for one in answer["over"]}
    visits: list[Visit] = []
    waiting: list[Unbooked] = []
    for record in sorted(records.visits if asked is None else set(asked)):
        held = records.visits[record]
        sentence = _say_why_waiting(held, records, today_on, until_on)
        if sentence is None:
            visits.append(_visit(held, records, over))
        elif sentence:
            waiting.append(Unbooked(visit=record, patient=held.patient, because=sentence))
    if len(visits) > MOST_VISITS:
        message = f"More than {MOST_VISITS} visits need a place. Choose an earlier last day."
        raise CalculationError(message)
    inside = {visit.record for visit in visits}
    problem = Problem(
        visits=tuple(visits),
        sessions=tuple(
            _session(one, _holding(seated, record), inside)
            for record, one in sorted(sessions.items())
        ),
        first_on=add_days(today_on, NOTICE_DAYS),
        until_on=until_on,
    )
    return problem, waiting


def _holding(seated: dict[str, dict[str, list[str]]], record: str) -> list[str]:
    return seated[record]["holding"] if record in seated else []


def _say_why_waiting(
    visit: HeldVisit, records: BookingRecords, today_on: str, until_on: str
) -> str | None:
    """Return None for a visit to be seated, "" for one that is no matter of it, else a sentence."""
    is_booked = bool(visit.bookings)
    is_open = visit.status in _OPEN or "status" in visit.unsettled
    is_to_book = is_open and visit.owner_role != "clinician"
    days = [day for one in visit.bookings if (day := _day_told(one, records))]
    if not (any(today_on <= day <= until_on for day in days) if is_booked else is_to_book):
        return ""
    fields = [
        name
        for name in ("patient", "status", "booking", "window", "owner_role", "label")
        if name in visit.unsettled
    ]
    if fields:
        named = fields[0].replace("owner_role", "owner")
        return f"Two answers stand on its {named}. Settle them first."
    if is_booked:
        return None
    if visit.window is None:
        return "It has no window that can be read. A clinician gives it one."
    if visit.window[0] > until_on:
        return ""
    patient = records.patients.get(visit.patient)
    if patient is None:
        return "Its patient is not held here, or was struck. Correct the visit first."
    if not patient.may_contact:
        return "The patient is not to be contacted. Ask a clinician how to go on."
    return None


def _day_told(booking: HeldBooking, records: BookingRecords) -> str:
    """Return the day on which somebody expects to come; "" for a booking without a session."""
    session = records.sessions.get(booking.session)
    return (booking.on or session.on) if session else ""


def _visit(held: HeldVisit, records: BookingRecords, over: Collection[tuple[str, str]]) -> Visit:
    booking = held.bookings[0] if held.bookings else None
    booked = booking.session if booking else ""
    patient = records.patients.get(held.patient)
    home = patient.home_place if patient else ""
    # A booked visit without a window has one of its own day: it is where somebody put it.
    on = _day_told(booking, records) if booking else ""
    earliest, target, latest = held.window or (on, on, on)
    return Visit(
        record=held.record,
        patient=held.patient,
        needs=needed_equipment(held.label),
        urgency=held.urgency,
        earliest_on=earliest,
        target_on=target,
        latest_on=latest,
        home_place=home,
        places=(home,) if home and not (patient and patient.travels) else (),
        held=booked,
        is_over=(held.record, booked) in over,
        told_on=on if booking and on != records.sessions[booked].on else "",
    )


def _session(held: HeldSession, holding: list[str], inside: Collection[str]) -> Session:
    """Return the session with the places that are left to the visits of the problem."""
    places = len(holding) if held.capacity is None else held.capacity
    return Session(
        record=held.record,
        on=held.on,
        starts=held.starts,
        place=held.place,
        equipment=held.equipment,
        capacity=max(0, places - sum(name not in inside for name in holding)),
        closed_because=held.closed_because,
    )


def _refuse_dates(today_on: str, until_on: str) -> None:
    for on in (today_on, until_on):
        if not is_civil_date(on):
            message = f"{on[:24]!r} is no date such as 2026-03-01. Correct it."
            raise CalculationError(message)
    if not 0 < days_between(today_on, until_on) <= MOST_DAYS:
        message = f"The last day must lie 1 to {MOST_DAYS} days after today. Choose another."
        raise CalculationError(message)
