"""Propose a session for every visit that needs one; nothing is written, a person books."""

from collections.abc import Collection
from typing import Literal

import msgspec

from api.booking.booking_costs import CostRules
from api.booking.booking_moves import seat_visits
from api.booking.booking_problem import MOST_DAYS, MOST_VISITS, Problem, Session, Visit
from api.booking.booking_reasons import Reasons, explain_seats
from api.booking.errors import BookingError
from api.booking.reason_words import say_reasons
from api.clinical_rules.civil_date import add_days, days_between, is_civil_date
from api.clinical_rules.session_places import needed_equipment
from api.storage.unit_store import UnitStore
from api.use_cases.booking_records import (
    BookingRecords,
    HeldSession,
    HeldVisit,
    read_booking_records,
    seat_bookings,
)
from api.use_cases.errors import CalculationError
from api.use_cases.waiting_visits import NO_MATTER, day_told, why_waiting

# Unit setting (project default): nobody is asked to come on the day itself.
NOTICE_DAYS = 1
# So many days ahead is looked for a place where nobody says how far.
LOOK_AHEAD_DAYS = 90


class Proposal(msgspec.Struct, frozen=True, kw_only=True):
    """One visit and the session proposed for it.

    Parameters
    ----------
    standing : str
        ``kept`` where it is booked into this session already, ``moved`` where into another.
    on, starts : str
        Civil date and wall time at the place.
    because : str
        Why, in plain English: what a record keeps.
    reasons : tuple of BookingReason
        The same as codes, for a desk that speaks another language.
    """

    visit: str
    patient: str
    session: str
    on: str
    starts: str
    place: str
    standing: Literal["kept", "new", "moved"]
    because: str
    reasons: Reasons


class Unbooked(msgspec.Struct, frozen=True, kw_only=True):
    """One visit for which there is no session; ``because`` says why and what to do.

    ``reasons`` are the same as codes.
    """

    visit: str
    patient: str
    because: str
    reasons: Reasons


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
        Whether a booking that can stand may be moved where that serves all better; `CostRules`
        says how many at once.

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
    year = problem.first_on[:4]
    try:
        seating = seat_visits(problem, rules)
    except BookingError as error:
        raise CalculationError(str(error)) from error
    optimum = seating.optimum
    explained = explain_seats(problem, seating.rules, seating.choices, optimum.seats)
    proposals, unbooked = [], [_leave(*one, year) for one in waiting]
    for visit, seat, reasons in zip(problem.visits, optimum.seats.tolist(), explained, strict=True):
        if seat < 0:
            unbooked.append(_leave(visit.record, visit.patient, reasons, year))
        else:
            proposals.append(_propose(visit, problem.sessions[seat], reasons, year))
    return Proposals(
        proposals=tuple(
            sorted(proposals, key=lambda one: (one.on, one.starts, one.place, one.visit))
        ),
        unbooked=tuple(sorted(unbooked, key=lambda one: one.visit)),
        cost=optimum.cost,
        is_optimal=optimum.is_optimal,
    )


def _leave(visit: str, patient: str, reasons: Reasons, year: str) -> Unbooked:
    because = say_reasons(reasons, year=year)
    return Unbooked(visit=visit, patient=patient, because=because, reasons=reasons)


def _propose(visit: Visit, session: Session, reasons: Reasons, year: str) -> Proposal:
    is_kept = visit.held == session.record and not visit.told_on
    return Proposal(
        visit=visit.record,
        patient=visit.patient,
        session=session.record,
        on=session.on,
        starts=session.starts,
        place=session.place,
        standing="kept" if is_kept else "moved" if visit.held else "new",
        because=say_reasons(reasons, year=year),
        reasons=reasons,
    )


def _make_problem(
    records: BookingRecords, today_on: str, until_on: str, asked: Collection[str] | None
) -> tuple[Problem, list[tuple[str, str, Reasons]]]:
    """Return the problem, and the visits for which a person has to act before, each with why."""
    sessions = {
        record: one for record, one in records.sessions.items() if today_on <= one.on <= until_on
    }
    seated = seat_bookings(records)
    over = {(one["visit"], record) for record, answer in seated.items() for one in answer["over"]}
    visits: list[Visit] = []
    waiting: list[tuple[str, str, Reasons]] = []
    for record in sorted(records.visits if asked is None else set(asked)):
        held = records.visits[record]
        reason = why_waiting(held, records, today_on, until_on)
        if reason is None:
            visits.append(_visit(held, records, over))
        elif reason != NO_MATTER:
            waiting.append((record, held.patient, (reason,)))
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


def _visit(held: HeldVisit, records: BookingRecords, over: Collection[tuple[str, str]]) -> Visit:
    booking = held.bookings[0] if held.bookings else None
    booked = booking.session if booking else ""
    patient = records.patients.get(held.patient)
    home = patient.home_place if patient else ""
    # A booked visit without a window has one of its own day: it is where somebody put it.
    on = day_told(booking, records) if booking else ""
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
