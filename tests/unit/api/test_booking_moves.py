"""How many bookings that could have stayed are moved at once."""

import msgspec
import numpy as np
import pytest

from api.booking.booking_costs import CostRules, weigh_choices
from api.booking.booking_moves import count_moved, seat_visits
from api.booking.booking_optimum import find_optimum
from api.booking.booking_problem import Problem, Session, Visit
from tests.oracles.booking_instances import close_fortnight, draw_problem, give_seats

MAY_MOVE = CostRules(may_move=True)


def _session(record, on, capacity, closed_because=""):
    return Session(
        record=f"clinic_session/{record}",
        on=on,
        starts="09:00",
        place="Room 4",
        equipment=(),
        capacity=capacity,
        closed_because=closed_because,
    )


def _problem(urgencies, *, closed_because=""):
    """Return visits that all hold a place 30 days after their target, and one free on it."""
    many = len(urgencies)
    return Problem(
        visits=tuple(
            Visit(
                record=f"visit/v-{place:03}",
                patient=f"patient/p-{place:03}",
                needs="",
                urgency=urgency,
                earliest_on="2026-04-01",
                target_on="2026-04-01",
                latest_on="2026-05-01",
                home_place="",
                places=(),
                held="clinic_session/late",
                is_over=False,
                told_on="",
            )
            for place, urgency in enumerate(urgencies)
        ),
        sessions=(
            _session("good", "2026-04-01", many),
            _session("late", "2026-05-01", many, closed_because),
        ),
        first_on="2026-03-20",
        until_on="2026-06-30",
    )


def _moved(problem, rules=MAY_MOVE):
    seating = seat_visits(problem, rules)
    seats = seating.optimum.seats
    assert seating.optimum.is_optimal
    assert (
        count_moved(problem, seating.choices, seats) == seating.choices.can_keep[seats == 0].sum()
    )
    return {
        problem.visits[at].urgency: int((seats == 0).sum()) for at in np.flatnonzero(seats == 0)
    }


@pytest.mark.parametrize(
    ("count", "moved"), [(39, {0: 39}), (40, {0: 40}), (41, {})], ids=["below", "at", "above"]
)
def test_at_most_forty_are_moved_at_once(count, moved):
    """Each gains 90 by it and costs 40; of 41 alike none is served before the others.

    Planted bug that this caught: a bound that let one more go.
    """
    assert _moved(_problem([0] * count)) == moved


def test_those_who_gain_most_are_moved():
    """At 160 for leaving the 30 that are not urgent (90 each) stay, the 20 urgent (360) go.

    Planted bug that this caught: the bound kept by moving nobody at all.
    """
    assert _moved(_problem([0] * 30 + [3] * 20)) == {3: 20}


def test_who_cannot_stay_is_moved_whatever_the_bound():
    problem = _problem([0] * 60, closed_because="no staff")

    assert _moved(problem) == {0: 60}
    assert _moved(problem, CostRules()) == {0: 60}


def test_without_the_wish_nobody_is_moved_and_the_rules_stay_as_they_were():
    for rules in (CostRules(), CostRules(may_move=True, most_moved=0)):
        assert _moved(_problem([0, 3]), rules) == {}
    assert seat_visits(_problem([0]), MAY_MOVE).rules == MAY_MOVE


@pytest.mark.parametrize("seed", [1, 2])
def test_a_closed_fortnight_moves_forty_beside_the_hit_though_leaving_costs_nothing(seed):
    """The model of `tests/oracles`: without the bound more than forty are moved there."""
    at_no_cost = CostRules(may_move=True, leaving_held=0)
    problem = draw_problem(2_000, seed)
    closed = close_fortnight(give_seats(problem, _solve(problem, CostRules()).seats))

    seating = seat_visits(closed, at_no_cost)

    choices = weigh_choices(closed, at_no_cost)
    assert count_moved(closed, choices, _solve(closed, at_no_cost).seats) > 40
    assert 0 < count_moved(closed, seating.choices, seating.optimum.seats) <= 40
    assert msgspec.structs.replace(seating.rules, leaving_held=0) == at_no_cost


def _solve(problem, rules):
    capacities = np.array([one.capacity for one in problem.sessions], np.int64)
    return find_optimum(weigh_choices(problem, rules), capacities)
