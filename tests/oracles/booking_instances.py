"""Invented booking problems of any size, the same for the same seed.

The recipe: one place for 250 visits, three clinic days a week in each (two with an ultrasound
scope, one clinic room), bank holidays of England closed, windows spread over 50 weeks, one
patient in five may travel to the next place.
"""

from datetime import date, timedelta
from random import Random
from typing import Any

import holidays
import msgspec

from api.booking.booking_problem import Problem, Session, Visit

FIRST = date(2026, 1, 5)
WEEKS = 50
CLOSED_DAYS = 14
_EQUIPMENT = (("scope", "ultrasound-scope"), ("scope", "ultrasound-scope"), ())


def draw_problem(visits: int, seed: int, *, share: float = 1.0) -> Problem:
    """Return so many visits and 3 sessions for each place and week, nobody booked yet.

    Of the sessions that share is kept, drawn by lot.
    """
    chance = Random(f"{visits} visits {seed}")
    places = [f"Place {number:03}" for number in range(max(2, visits // 250))]
    closed = holidays.country_holidays("GB", subdiv="ENG", years=range(2026, 2028))
    sessions = []
    for place in places:
        weekdays = sorted(chance.sample(range(5), 3))
        for week in range(WEEKS):
            for weekday, equipment in zip(weekdays, _EQUIPMENT, strict=True):
                on = FIRST + timedelta(weeks=week, days=weekday)
                sessions.append(
                    Session(
                        record=f"clinic_session/{place[-3:]}-{on}",
                        on=on.isoformat(),
                        starts="09:00",
                        place=place,
                        equipment=equipment,
                        capacity=chance.choice((1, 2, 2, 3)),
                        closed_because="holiday" if on in closed else "",
                    )
                )
    return Problem(
        visits=tuple(_draw_visit(number, places, chance) for number in range(visits)),
        sessions=tuple(
            sorted(
                (session for session in sessions if chance.random() < share),
                key=lambda session: session.record,
            )
        ),
        first_on=FIRST.isoformat(),
        until_on=(FIRST + timedelta(weeks=WEEKS, days=-1)).isoformat(),
    )


def _draw_visit(number: int, places: list[str], chance: Random) -> Visit:
    near = (places[number % len(places)], places[(number + 1) % len(places)])
    target = FIRST + timedelta(days=chance.randrange(-14, WEEKS * 7 - 14))
    early, late = chance.choice(((3, 7), (7, 14), (14, 14), (14, 28)))
    return Visit(
        record=f"visit/{number:05}",
        patient=f"patient/{number:05}",
        needs=chance.choice(("", "ultrasound-scope", "ultrasound-scope")),
        urgency=chance.choice((0, 0, 0, 1, 2, 3)),
        earliest_on=(target - timedelta(days=early)).isoformat(),
        target_on=target.isoformat(),
        latest_on=(target + timedelta(days=late)).isoformat(),
        home_place=near[0],
        places=near if chance.random() < 0.2 else near[:1],  # one in five
    )


def give_seats(problem: Problem, seats: Any) -> Problem:
    """Return the problem with every visit booked where it was seated."""
    return msgspec.structs.replace(
        problem,
        visits=tuple(
            msgspec.structs.replace(visit, held=problem.sessions[seat].record if seat >= 0 else "")
            for visit, seat in zip(problem.visits, seats.tolist(), strict=True)
        ),
    )


def close_fortnight(problem: Problem) -> Problem:
    """Return the problem with the first place closed for two weeks, ten weeks ahead."""
    first = FIRST + timedelta(weeks=10)
    closed = [(first + timedelta(days=day)).isoformat() for day in range(CLOSED_DAYS)]
    return msgspec.structs.replace(
        problem,
        sessions=tuple(
            msgspec.structs.replace(session, closed_because="staff-away")
            if session.place == "Place 000" and session.on in closed
            else session
            for session in problem.sessions
        ),
    )
