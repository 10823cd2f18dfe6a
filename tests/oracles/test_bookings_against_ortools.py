"""The booking optimum against the minimum cost flow of OR-Tools, and what a closed fortnight moves.

The flow gets costs that this file computes anew, pair by pair, from the rules in words.
"""

from datetime import date, timedelta

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ortools.graph.python import min_cost_flow

from api.booking.booking_costs import CostRules, weigh_choices
from api.booking.booking_optimum import UNBOOKED, find_optimum
from api.booking.booking_problem import Problem
from api.booking.booking_proof import is_proved
from tests.oracles.booking_instances import close_fortnight, draw_problem, give_seats

RULES = CostRules()
MAY_MOVE = CostRules(may_move=True)
# Those that can be chosen for a visit of such a need.
SERVED_BY = {
    "": lambda equipment: not equipment or set(equipment) != {"phone"},
    "phone": lambda equipment: "phone" in equipment,
    "scope": lambda equipment: bool({"scope", "ultrasound-scope"} & set(equipment)),
    "ultrasound-scope": lambda equipment: "ultrasound-scope" in equipment,
}


def capacities_of(problem):
    return np.array([session.capacity for session in problem.sessions], np.int64)


def solve(problem, rules=RULES):
    choices = weigh_choices(problem, rules)
    return choices, find_optimum(choices, capacities_of(problem))


def _ordinal(on):
    return date.fromisoformat(on).toordinal()


def _arcs(problem, rules):
    """Yield visit, session and cost of every pair that may be, from the rules in words."""
    first, last = _ordinal(problem.first_on), _ordinal(problem.until_on)
    days = [_ordinal(session.on) for session in problem.sessions]
    lefts = [
        (visit.urgency + 1)
        * (
            rules.unbooked
            + rules.unbooked_late_factor * max(0, last + 1 - _ordinal(visit.target_on))
        )
        for visit in problem.visits
    ]
    for at, visit in enumerate(problem.visits):
        low = _ordinal(visit.earliest_on) - rules.days_before
        high = max(_ordinal(visit.latest_on), first) + rules.days_after
        target = _ordinal(visit.target_on)
        can_keep = False
        found = []
        for place, (session, day) in enumerate(zip(problem.sessions, days, strict=True)):
            if session.closed_because or not session.capacity:
                continue
            if not SERVED_BY[visit.needs](session.equipment):
                continue
            is_held = session.record == visit.held and not visit.is_over
            is_new = max(low, first) <= day <= min(high, last) and (
                not visit.places or session.place in visit.places
            )
            if is_held or is_new:
                late = day - target
                cost = (visit.urgency + 1) * (late * rules.late_factor if late > 0 else -late)
                if visit.home_place and session.place != visit.home_place:
                    cost += rules.other_place
                found.append((at, place, cost, is_held))
                can_keep = can_keep or is_held
        for at_, place, cost, is_held in found:
            if can_keep and not is_held:
                if not rules.may_move:
                    continue
                cost += rules.leaving_held
            yield at_, place, cost
        # Not being seated; to put somebody out costs more than to leave anybody out.
        yield at, UNBOOKED, lefts[at] + (max(lefts) + 1 if can_keep else 0)


def flow_cost(problem, rules=RULES):
    """Return the lowest cost by OR-Tools, and how many visits it leaves unbooked."""
    visits, sessions = len(problem.visits), len(problem.sessions)
    sink = visits + sessions
    arcs = list(_arcs(problem, rules))
    tails = np.array([at for at, _, _ in arcs])
    heads = np.array([sink if p == UNBOOKED else visits + p for _, p, _ in arcs])
    costs = np.array([cost for _, _, cost in arcs])
    flow = min_cost_flow.SimpleMinCostFlow()
    first = flow.add_arcs_with_capacity_and_unit_cost(tails, heads, np.ones_like(tails), costs)
    flow.add_arcs_with_capacity_and_unit_cost(
        visits + np.arange(sessions),
        np.full(sessions, sink),
        capacities_of(problem),
        np.zeros(sessions, np.int64),
    )
    flow.set_nodes_supplies(np.append(np.arange(visits), sink), np.append(np.ones(visits), -visits))
    assert flow.solve() == flow.OPTIMAL
    used = flow.flows(first)
    return flow.optimal_cost(), int(sum(used[heads == sink]))


@pytest.mark.parametrize(
    ("visits", "seed", "share"),
    [(200, 1, 1.0), (200, 2, 1.0), (200, 3, 0.25), (200, 4, 0.1), (2_000, 1, 1.0), (2_000, 2, 0.5)],
)
def test_the_cost_is_that_of_the_flow(visits, seed, share):
    """Also where places lack, and somebody stays unbooked.

    Planted bugs that this caught: a day late counted twice instead of three times, one place too
    many in each session, the days after a window counted from its target, and the cost of another
    place left out.
    """
    problem = draw_problem(visits, seed, share=share)
    choices, optimum = solve(problem)
    cost, unbooked = flow_cost(problem)

    assert optimum.cost == cost
    assert int((optimum.seats == UNBOOKED).sum()) == unbooked
    assert optimum.is_optimal
    if share < 0.5:
        assert unbooked > 0
    assert len(choices.first) == visits + 1


@pytest.mark.parametrize("rules", [RULES, MAY_MOVE, CostRules(may_move=True, leaving_held=0)])
def test_the_cost_after_a_closed_fortnight_is_that_of_the_flow(rules):
    """Planted bug that this caught: the cost of leaving taken from the held place too."""
    problem = draw_problem(400, 5)
    booked = give_seats(problem, solve(problem)[1].seats)
    closed = close_fortnight(booked)

    _, optimum = solve(closed, rules)

    assert (optimum.cost, optimum.is_optimal) == (flow_cost(closed, rules)[0], True)


def _moved(problem, seats):
    return sum(
        visit.held != (problem.sessions[seat].record if seat >= 0 else "")
        for visit, seat in zip(problem.visits, seats.tolist(), strict=True)
        if visit.held
    )


def _hit(problem):
    closed = {session.record for session in problem.sessions if session.closed_because}
    return sum(visit.held in closed for visit in problem.visits)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_closed_fortnight_moves_at_most_forty_bookings(seed):
    """2,000 visits, one place closed for two weeks: those hit, and nobody beside them.

    Where bookings may be moved so that all are served better, the cost of leaving a place keeps
    those beside the hit to forty at most; without it there are more.

    Planted bug that this caught: leaving a held place at no cost.
    """
    problem = draw_problem(2_000, seed)
    closed = close_fortnight(give_seats(problem, solve(problem)[1].seats))
    hit = _hit(closed)
    kept = _moved(closed, solve(closed)[1].seats)
    moved = _moved(closed, solve(closed, MAY_MOVE)[1].seats)
    free = _moved(closed, solve(closed, CostRules(may_move=True, leaving_held=0))[1].seats)

    print(f"hit {hit}, moved {kept}; where they may move {moved}, without its cost {free}")
    assert 0 < hit == kept <= 40
    assert moved - hit <= 40 < free - hit


SMALL = st.tuples(st.integers(5, 40), st.integers(0, 10**6), st.sampled_from((0.05, 0.2, 1.0)))


@settings(max_examples=60, deadline=None)
@given(size=SMALL, is_booked=st.booleans(), may_move=st.booleans())
def test_no_session_is_overfilled_and_nobody_sits_where_he_must_not(size, is_booked, may_move):
    """Nor is anybody put out of a place that can be kept.

    Planted bugs that this caught: closed sessions offered, equipment not asked. The last line was
    written after a booking that could stay had been given to somebody more urgent.
    """
    visits, seed, share = size
    problem = draw_problem(visits, seed, share=share)
    if is_booked:
        problem = close_fortnight(give_seats(problem, solve(problem)[1].seats))
    rules = CostRules(may_move=may_move)
    choices, optimum = solve(problem, rules)
    first = _ordinal(problem.first_on)

    assert len(optimum.seats) == visits  # each visit once
    filled = np.bincount(optimum.seats[optimum.seats >= 0], minlength=len(problem.sessions))
    assert (filled <= capacities_of(problem)).all()
    for at, (visit, seat) in enumerate(zip(problem.visits, optimum.seats.tolist(), strict=True)):
        if seat < 0:
            assert not choices.can_keep[at]
            continue
        session = problem.sessions[seat]
        assert session.closed_because == ""
        assert SERVED_BY[visit.needs](session.equipment)
        if session.record == visit.held:
            continue
        assert not choices.can_keep[at] or may_move
        assert not visit.places or session.place in visit.places
        assert visit.earliest_on <= session.on <= problem.until_on
        latest = max(_ordinal(visit.latest_on), first) + rules.days_after
        assert first <= _ordinal(session.on) <= latest
    # Being booked always costs less than not.
    counts = np.diff(choices.first)
    assert (choices.costs < np.repeat(choices.unbooked, counts)).all()
    # The same visits and sessions in another order are the same problem.
    again = find_optimum(weigh_choices(problem, rules), capacities_of(problem))
    assert np.array_equal(again.seats, optimum.seats)


@settings(max_examples=60, deadline=None)
@given(size=SMALL, chance=st.randoms(use_true_random=False))
def test_what_is_not_the_cheapest_is_not_proved(size, chance):
    """A seating with one visit put elsewhere is proved only where it costs the same.

    Planted bug that this caught: prices left unasked in sessions with room.
    """
    visits, seed, share = size
    problem = draw_problem(visits, seed, share=share)
    choices, optimum = solve(problem)
    capacities = capacities_of(problem)
    at = chance.randrange(visits)
    own = choices.sessions[choices.first[at] : choices.first[at + 1]].tolist()
    seats = optimum.seats.copy()
    seats[at] = chance.choice([*own, UNBOOKED])
    filled = np.bincount(seats[seats >= 0], minlength=len(capacities))

    proved = is_proved(choices, choices.costs, choices.unbooked, capacities, seats)

    if (filled > capacities).any():
        assert not proved
    else:
        assert proved is (_cost(choices, seats) == optimum.cost)


def _cost(choices, seats):
    counts = np.diff(choices.first)
    taken = choices.sessions == np.repeat(seats, counts)
    return int(choices.costs[taken].sum() + choices.unbooked[seats == UNBOOKED].sum())


def test_a_seat_that_was_no_choice_proves_nothing():
    problem = draw_problem(20, 1)
    choices, optimum = solve(problem)
    own = set(choices.sessions[: choices.first[1]].tolist())
    seats = optimum.seats.copy()
    seats[0] = next(place for place in range(len(problem.sessions)) if place not in own)

    args = (choices, choices.costs, choices.unbooked, capacities_of(problem))
    assert is_proved(*args, optimum.seats)
    assert not is_proved(*args, seats)


def _contest(*visits, capacity=1):
    """Return a problem of one session on 1 April, looked at from 1 March."""
    [session] = [
        one
        for one in draw_problem(10, 1).sessions
        if one.equipment and one.capacity and not one.closed_because
    ][:1]
    session = msgspec.structs.replace(session, on="2026-04-01", capacity=capacity)
    template = draw_problem(1, 1).visits[0]
    made = tuple(
        msgspec.structs.replace(
            template,
            record=f"visit/{name}",
            needs="scope",
            urgency=urgency,
            earliest_on=target,
            target_on=target,
            latest_on=target,
            home_place="",
            places=(),
        )
        for name, urgency, target in visits
    )
    return Problem(visits=made, sessions=(session,), first_on="2026-03-01", until_on="2026-04-30")


@pytest.mark.parametrize(
    ("visits", "winner"),
    [
        ((("a", 0, "2026-03-20"), ("b", 1, "2026-03-20")), 1),
        ((("a", 1, "2026-03-20"), ("b", 0, "2026-02-01")), 0),
        # One day longer overdue, alike else.
        ((("a", 2, "2026-03-19"), ("b", 2, "2026-03-20")), 0),
        ((("a", 2, "2026-03-20"), ("b", 2, "2026-03-19")), 1),
    ],
)
def test_the_last_place_goes_to_the_more_urgent_then_to_the_longer_overdue(visits, winner):
    """Planted bug that this caught: one cost for everybody who stays unbooked, which leaves out
    whoever is dearest to seat, the most urgent.
    """
    _, optimum = solve(_contest(*visits))

    assert optimum.seats.tolist() == [0 if at == winner else UNBOOKED for at in range(2)]


def test_of_two_places_the_longer_overdue_gets_the_earlier():
    """Both ways cost the same; the tie decides. Planted bug that this caught: ties left out."""
    problem = _contest(("a", 0, "2026-02-26"), ("b", 0, "2025-12-01"))
    late = msgspec.structs.replace(problem.sessions[0], record="clinic_session/z", on="2026-04-02")
    problem = msgspec.structs.replace(
        problem,
        sessions=(*problem.sessions, late),
        visits=tuple(
            msgspec.structs.replace(one, latest_on="2026-03-20") for one in problem.visits
        ),
    )

    assert solve(problem)[1].seats.tolist() == [1, 0]


def test_an_overdue_visit_is_not_left_out_for_being_overdue():
    """HAZ-43. Planted bug that this caught: the days allowed counted from the window's end."""
    problem = _contest(("a", 0, "2025-03-01"))
    on = (date(2026, 3, 1) + timedelta(days=RULES.days_after)).isoformat()
    for day, seat in ((on, 0), ((date.fromisoformat(on) + timedelta(days=1)).isoformat(), -1)):
        session = msgspec.structs.replace(problem.sessions[0], on=day)
        seats = solve(msgspec.structs.replace(problem, sessions=(session,)))[1].seats
        assert seats.tolist() == [seat], day
