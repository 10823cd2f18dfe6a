"""Solves one booking problem in a process of its own and prints what it took as JSON.

Usage: ``python -m tests.bench.booking_solver crura|ortools|fortnight VISITS SEED``.
"""

import json
import os
import resource
import sys
import time
from collections.abc import Callable
from typing import Any

import numpy as np

from api.booking.booking_costs import Choices, CostRules, weigh_choices
from api.booking.booking_optimum import find_optimum
from api.booking.booking_problem import Problem
from tests.bench.rounds import resident_mb
from tests.oracles.booking_instances import close_fortnight, draw_problem, give_seats


def main() -> None:
    """Solve and print."""
    way, visits, seed = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
    problem = draw_problem(visits, seed)
    print(json.dumps(_WAYS[way](problem)))


def _solve_here(problem: Problem) -> dict[str, Any]:
    # Loading the library is paid once a process, by the first proposal of a day.
    import scipy.sparse.csgraph

    assert scipy.sparse.csgraph
    started = time.perf_counter()
    choices = weigh_choices(problem, CostRules())
    weighing = time.perf_counter() - started
    capacities = _capacities(problem)
    with _Measure() as measure:
        optimum = find_optimum(choices, capacities)
    return {
        **measure.taken,
        "weighing_s": weighing,
        "cost": optimum.cost,
        "is_optimal": optimum.is_optimal,
        "sessions": len(problem.sessions),
        "choices": len(choices.costs),
    }


def _solve_by_flow(problem: Problem) -> dict[str, Any]:
    from ortools.graph.python import min_cost_flow

    choices = weigh_choices(problem, CostRules())
    capacities = _capacities(problem)
    with _Measure() as measure:
        cost = _flow(choices, capacities, min_cost_flow.SimpleMinCostFlow)
    return {**measure.taken, "cost": cost, "is_optimal": True}


def _flow(choices: Choices, capacities: Any, make: Callable[[], Any]) -> int:
    visits, sessions = len(choices.unbooked), len(capacities)
    sink = visits + sessions
    own = np.arange(visits)
    flow = make()
    tails = np.concatenate([np.repeat(own, np.diff(choices.first)), own])
    heads = np.concatenate([visits + choices.sessions, np.full(visits, sink)])
    costs = np.concatenate([choices.costs, choices.unbooked])
    flow.add_arcs_with_capacity_and_unit_cost(tails, heads, np.ones_like(tails), costs)
    flow.add_arcs_with_capacity_and_unit_cost(
        visits + np.arange(sessions), np.full(sessions, sink), capacities, np.zeros_like(capacities)
    )
    flow.set_nodes_supplies(np.append(own, sink), np.append(np.ones(visits), -visits))
    assert flow.solve() == flow.OPTIMAL
    return int(flow.optimal_cost())


def _close(problem: Problem) -> dict[str, Any]:
    booked = give_seats(problem, _seat(problem, CostRules()))
    closed = close_fortnight(booked)
    shut = {session.record for session in closed.sessions if session.closed_because}
    rules = {
        "moved": CostRules(),
        "may_move": CostRules(may_move=True),
        "free": CostRules(may_move=True, leaving_held=0),
    }
    return {
        "hit": sum(visit.held in shut for visit in closed.visits),
        **{name: _count_moved(closed, _seat(closed, one)) for name, one in rules.items()},
    }


def _seat(problem: Problem, rules: CostRules) -> Any:
    return find_optimum(weigh_choices(problem, rules), _capacities(problem)).seats


def _count_moved(problem: Problem, seats: Any) -> int:
    return sum(
        bool(visit.held) and (seat < 0 or problem.sessions[seat].record != visit.held)
        for visit, seat in zip(problem.visits, seats.tolist(), strict=True)
    )


def _capacities(problem: Problem) -> Any:
    return np.array([session.capacity for session in problem.sessions], np.int64)


class _Measure:
    """Wall and processor seconds of a block, and how much more memory its peak holds."""

    def __enter__(self) -> "_Measure":
        self._memory = resident_mb(os.getpid())
        self._wall, self._processor = time.perf_counter(), time.process_time()
        return self

    def __exit__(self, *_: object) -> None:
        self.taken = {
            "wall_s": time.perf_counter() - self._wall,
            "processor_s": time.process_time() - self._processor,
            "memory_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e6
            - self._memory,
        }


_WAYS = {"crura": _solve_here, "ortools": _solve_by_flow, "fortnight": _close}


if __name__ == "__main__":
    main()
