"""Why each visit is proposed for its session, or for none: reasons as codes with their values.

A desk says them in its own language; `reason_words` says them in English.
"""

from collections.abc import Iterator
from datetime import date
from typing import Literal

import msgspec

from api.booking.booking_costs import Choices, CostRules, Whole, days_allowed, may_offer
from api.booking.booking_problem import Problem, Session, Visit
from api.clinical_rules.civil_date import days_between
from api.clinical_rules.session_places import fits_session

ReasonCode = Literal[
    "kept",
    "told-another-day",
    "moved",
    "session-without-day",
    "session-closed",
    "session-unfit",
    "session-full",
    "on-target",
    "nearest",
    "after-window",
    "before-window",
    "window-later",
    "all-full",
    "none-in-window",
    "none-at-all",
    "two-answers",
    "no-window",
    "no-patient",
    "not-to-contact",
]


class BookingReason(msgspec.Struct, frozen=True):
    """One reason; ``values`` are civil dates (``on``, ``from_on``, ...), days, codes and places.

    Values that come with a code: ``needs`` is the equipment, or ``any``; ``why`` is why a session
    is closed; ``field`` is the field in which two answers stand; ``place`` is another place than
    the patient's own, or ""; ``where`` is ``own`` where places are chosen for the patient.
    """

    code: ReasonCode
    values: dict[str, str | int] = {}


Reasons = tuple[BookingReason, ...]


def explain_seats(
    problem: Problem, rules: CostRules, choices: Choices, seats: Whole
) -> tuple[Reasons, ...]:
    """Return why, for each visit in order; for one that stays unbooked also what to do.

    Notes
    -----
    "Nearest" is true by the optimum: a choice that costs less and has room would have been taken.
    """
    session_of = {session.record: session for session in problem.sessions}
    return tuple(
        tuple(
            _explain(
                visit,
                None if seat < 0 else problem.sessions[seat],
                _Told(problem, rules, session_of.get(visit.held), bool(can_keep)),
                has_choice=bool(choices.first[at + 1] > choices.first[at]),
            )
        )
        for at, (visit, seat, can_keep) in enumerate(
            zip(problem.visits, seats.tolist(), choices.can_keep, strict=True)
        )
    )


class _Told(msgspec.Struct, frozen=True):
    """What the reasons of one visit rest on beside the visit and its session."""

    problem: Problem
    rules: CostRules
    held: Session | None
    can_keep: bool


def _explain(
    visit: Visit, session: Session | None, told: _Told, *, has_choice: bool
) -> Iterator[BookingReason]:
    if session is not None and session.record == visit.held and not visit.told_on:
        yield BookingReason("kept", {"on": session.on})
        return
    yield from _why_not_held(visit, told)
    if session is None:
        yield _why_unbooked(visit, told, has_choice=has_choice)
        return
    is_elsewhere = visit.home_place != "" and session.place != visit.home_place
    found: dict[str, str | int] = {
        "target_on": visit.target_on,
        "on": session.on,
        "needs": visit.needs or "any",
        "place": session.place if is_elsewhere else "",
    }
    yield BookingReason("on-target" if session.on == visit.target_on else "nearest", found)
    if session.on > visit.latest_on:
        yield BookingReason("after-window", {"days": days_between(visit.latest_on, session.on)})
    elif session.on < visit.earliest_on:
        yield BookingReason("before-window", {"days": days_between(session.on, visit.earliest_on)})


def _why_not_held(visit: Visit, told: _Told) -> Iterator[BookingReason]:
    held = told.held
    if visit.told_on:
        yield BookingReason("told-another-day", {"on": visit.told_on})
    elif held is None:
        return
    elif told.can_keep:
        yield BookingReason("moved", {"on": held.on})
    elif held.closed_because == "not-held":
        yield BookingReason("session-without-day", {"on": held.on})
    elif held.closed_because:
        yield BookingReason("session-closed", {"on": held.on, "why": held.closed_because})
    elif not fits_session(visit.needs, held.equipment):
        yield BookingReason("session-unfit", {"on": held.on, "needs": visit.needs or "any"})
    else:
        yield BookingReason("session-full", {"on": held.on})


def _why_unbooked(visit: Visit, told: _Told, *, has_choice: bool) -> BookingReason:
    problem = told.problem
    low, high = (
        date.fromordinal(day).isoformat()
        for day in days_allowed(visit, told.rules, problem.first_on)
    )
    from_on, until_on = max(low, problem.first_on), min(high, problem.until_on)
    if from_on > until_on:
        return BookingReason("window-later", {"on": visit.earliest_on})
    needed: dict[str, str | int] = {
        "needs": visit.needs or "any",
        "where": "own" if visit.places else "any",
        "from_on": from_on,
        "until_on": until_on,
    }
    if has_choice:
        return BookingReason("all-full", needed)
    if any(
        may_offer(visit, one) and problem.first_on <= one.on <= problem.until_on
        for one in problem.sessions
    ):
        return BookingReason("none-in-window", needed)
    whole = {"from_on": problem.first_on, "until_on": problem.until_on}
    return BookingReason("none-at-all", {**needed, **whole})
