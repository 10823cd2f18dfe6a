"""Seats visits and keeps count: so few bookings that could have stayed are moved at once.

Each move is a letter to a patient and a call that may not reach him.
"""

import msgspec
import numpy as np

from api.booking.booking_costs import Choices, CostRules, Whole, weigh_choices
from api.booking.booking_optimum import Optimum, find_optimum
from api.booking.booking_problem import Problem

# In finer steps it would take more solutions than a desk waits for: so there are seven at most.
_DEARER = 4
# Above it leaving costs more than any visit gains by another place.
_DEAREST = 50_000


class Seating(msgspec.Struct, frozen=True):
    """The cheapest seats, and the rules by which they are: leaving may cost more than asked for."""

    rules: CostRules
    choices: Choices
    optimum: Optimum


def seat_visits(problem: Problem, rules: CostRules) -> Seating:
    """Return the cheapest way to seat the visits that moves at most `most_moved` held bookings.

    Bookings that cannot be kept (closed session, no room) move whatever it costs and are not
    counted.

    Parameters
    ----------
    problem : Problem
        Visits and sessions.
    rules : CostRules
        With `may_move`; where too many would move, a held place is dearer to leave, step by step,
        and at last none is left.

    Raises
    ------
    BookingError
        As `find_optimum`.

    Notes
    -----
    A higher cost of leaving never makes more bookings leave: of two cheapest seatings the one at
    the higher cost has no more of them. So the first step that keeps the bound is taken. Those
    whose moves serve most are left; where many gain alike, fewer move than might, at worst none.
    """
    capacities = np.array([one.capacity for one in problem.sessions], np.int64)
    while True:
        choices = weigh_choices(problem, rules)
        optimum = find_optimum(choices, capacities)
        if not rules.may_move or count_moved(problem, choices, optimum.seats) <= rules.most_moved:
            return Seating(rules, choices, optimum)
        dearer = max(1, rules.leaving_held) * _DEARER
        rules = msgspec.structs.replace(rules, leaving_held=dearer, may_move=dearer <= _DEAREST)


def count_moved(problem: Problem, choices: Choices, seats: Whole) -> int:
    """Return how many visits leave a place that they could have kept."""
    return sum(
        can_keep and (seat < 0 or problem.sessions[seat].record != visit.held)
        for visit, seat, can_keep in zip(
            problem.visits, seats.tolist(), choices.can_keep.tolist(), strict=True
        )
    )
