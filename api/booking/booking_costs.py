"""What each place would cost each visit: whole numbers without a unit, the lower the better.

One day from the target of a visit that is not urgent costs 1.
"""

from collections.abc import Mapping, Sequence
from datetime import date

import msgspec
import numpy as np
from numpy.typing import NDArray

from api.booking.booking_problem import Problem, Session, Visit
from api.clinical_rules.session_places import fits_session

Whole = NDArray[np.int64]
_DAYS_A_WEEK = 7
_LONGEST_OVERDUE_WEEKS = 14


class CostRules(msgspec.Struct, frozen=True, kw_only=True):
    """The weights. All are unit settings (project default); none is a clinical fact.

    Parameters
    ----------
    late_factor : int
        A day after the target counts so many times a day before it.
    days_before, days_after : int
        So many days outside its window a visit may be proposed for; no place beyond.
    other_place : int
        Cost of a place that is not the patient's own.
    leaving_held : int
        Cost of leaving a held booking that still can be kept.
    unbooked : int
        Cost of staying without a place, for each step of urgency.
    unbooked_late_factor : int
        A day past the target, at the end of the horizon, counts so many times for a visit that
        stays without a place. One above `late_factor`: of two alike the longer overdue is served.
    may_move : bool
        Whether a booking that can be kept may be moved at all.
    most_moved : int
        At most so many of them move at once (`booking_moves`).
    """

    late_factor: int = 3
    days_before: int = 0
    days_after: int = 28
    other_place: int = 20
    leaving_held: int = 40
    unbooked: int = 100_000
    unbooked_late_factor: int = 4
    may_move: bool = False
    most_moved: int = 40


class Choices(msgspec.Struct, frozen=True, kw_only=True):
    """The places that each visit could have, visit by visit.

    Parameters
    ----------
    first : array
        Where the choices of each visit begin, and one number more: where the last end.
    sessions, costs, ties : array
        Per choice: place of the session in the problem, its cost, and what decides between
        solutions of one cost: the longer overdue a visit is, the more a later day counts, and a
        held place counts least.
    unbooked : array
        Per visit: the cost of staying without a place; for one that can keep its place more than
        for any other.
    can_keep : array of bool
        Per visit: it holds a place that still can be kept.
    """

    first: Whole
    sessions: Whole
    costs: Whole
    ties: Whole
    unbooked: Whole
    can_keep: NDArray[np.bool_]


def weigh_choices(problem: Problem, rules: CostRules) -> Choices:
    """Return every place that a visit could have, with its cost.

    Notes
    -----
    Urgency u weighs by u + 1. Staying unbooked costs more than any place, and more the more
    urgent and the longer overdue the visit is. That costs nobody a place: the sets of visits that
    can be seated together form a transversal matroid (Edmonds and Fulkerson 1965), in which a
    heaviest set is also a largest one.
    """
    first_day, last_day = _day(problem.first_on), _day(problem.until_on)
    place_of = {session.record: place for place, session in enumerate(problem.sessions)}
    held = np.array([_held(one, place_of, problem.sessions) for one in problem.visits], np.int64)
    visit_of, session_of = _pair_up(problem, rules, first_day, last_day)
    if not rules.may_move:
        seated = held[visit_of] >= 0
        visit_of, session_of = visit_of[~seated], session_of[~seated]
    # The held place is a choice also where it lies outside of all limits: somebody booked it.
    is_new = session_of != held[visit_of]
    keepers = np.flatnonzero(held >= 0)
    visit_of = np.concatenate([visit_of[is_new], keepers])
    session_of = np.concatenate([session_of[is_new], held[keepers]])
    order = np.argsort(visit_of * len(problem.sessions) + session_of)
    visit_of, session_of = visit_of[order], session_of[order]

    weight = np.array([one.urgency + 1 for one in problem.visits], np.int64)
    target = np.array([_day(one.target_on) for one in problem.visits], np.int64)
    days = np.array([_day(one.on) for one in problem.sessions], np.int64)
    late = days[session_of] - target[visit_of]
    costs = weight[visit_of] * np.where(late > 0, rules.late_factor * late, -late)
    costs += rules.other_place * _are_elsewhere(problem, visit_of, session_of)
    leaves = (held[visit_of] >= 0) & (held[visit_of] != session_of)
    costs += rules.leaving_held * leaves
    overdue_weeks = np.clip((first_day - target) // _DAYS_A_WEEK, 0, _LONGEST_OVERDUE_WEEKS)
    left_late = rules.unbooked_late_factor * np.maximum(0, last_day + 1 - target)
    unbooked = weight * (rules.unbooked + left_late)
    # Whoever can keep a place is never put out for somebody else, however urgent.
    unbooked += (held >= 0) * (int(unbooked.max(initial=0)) + 1)
    days_ahead = np.maximum(0, days[session_of] - first_day)
    return Choices(
        first=np.searchsorted(visit_of, np.arange(len(problem.visits) + 1)).astype(np.int64),
        sessions=session_of,
        costs=costs,
        ties=np.where(
            leaves | (held[visit_of] < 0), (overdue_weeks[visit_of] + 1) * days_ahead + 1, 0
        ),
        unbooked=unbooked,
        can_keep=held >= 0,
    )


def can_hold(visit: Visit, session: Session) -> bool:
    """Say whether a booking can stand: the session takes place, has what the visit needs and room.

    Neither window nor place is asked: whoever booked has decided on them.
    """
    is_open = session.closed_because == "" and session.capacity > 0
    return is_open and not visit.is_over and fits_session(visit.needs, session.equipment)


def may_offer(visit: Visit, session: Session) -> bool:
    """Say whether a session may be offered at all, full or not: open, equipped, near enough."""
    is_near = not visit.places or session.place in visit.places
    is_open = session.closed_because == ""
    return is_open and is_near and fits_session(visit.needs, session.equipment)


def days_allowed(visit: Visit, rules: CostRules, first_on: str) -> tuple[int, int]:
    """Return the first and last day (proleptic ordinals) on which a visit may be proposed.

    Where the window has passed the days allowed after it count from the first day of the horizon:
    an overdue visit is never left without a place because it is overdue.
    """
    first_day = _day(first_on)
    latest = max(_day(visit.latest_on), first_day)
    return _day(visit.earliest_on) - rules.days_before, latest + rules.days_after


def _pair_up(
    problem: Problem, rules: CostRules, first_day: int, last_day: int
) -> tuple[Whole, Whole]:
    """Return visit and session of every pair that may be offered, sorted by visit."""
    alike: dict[tuple[str, tuple[str, ...]], list[int]] = {}
    for place, visit in enumerate(problem.visits):
        alike.setdefault((visit.needs, visit.places), []).append(place)
    visits: list[Whole] = [np.empty(0, np.int64)]
    sessions: list[Whole] = [np.empty(0, np.int64)]
    by_place: dict[str, list[tuple[int, int]]] = {}
    for place, session in enumerate(problem.sessions):
        day = _day(session.on)
        if first_day <= day <= last_day:
            by_place.setdefault(session.place, []).append((day, place))
    everywhere = sorted(pair for pairs in by_place.values() for pair in pairs)
    for (_, named), group in alike.items():
        one = problem.visits[group[0]]
        near = everywhere
        if named:
            near = sorted(pair for name in set(named) for pair in by_place.get(name, ()))
        fitting = [pair for pair in near if may_offer(one, problem.sessions[pair[1]])]
        if not fitting:
            continue
        days, places = np.array(fitting, np.int64).T
        limits = [days_allowed(problem.visits[each], rules, problem.first_on) for each in group]
        lows, highs = np.array(limits, np.int64).T
        begins = np.searchsorted(days, lows, side="left")
        counts = np.maximum(np.searchsorted(days, highs, side="right") - begins, 0)
        visits.append(np.repeat(np.array(group, np.int64), counts))
        within = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
        sessions.append(places[np.repeat(begins, counts) + within])
    return np.concatenate(visits), np.concatenate(sessions)


def _held(visit: Visit, place_of: Mapping[str, int], sessions: Sequence[Session]) -> int:
    """Return the session that a visit holds and can keep, -1 where there is none."""
    place = place_of.get(visit.held, -1)
    return place if place >= 0 and can_hold(visit, sessions[place]) else -1


def _are_elsewhere(problem: Problem, visit_of: Whole, session_of: Whole) -> NDArray[np.bool_]:
    numbers: dict[str, int] = {"": -1}
    for session in problem.sessions:
        numbers.setdefault(session.place, len(numbers))
    at = np.array([numbers[one.place] for one in problem.sessions], np.int64)
    home = np.array([numbers.get(one.home_place, -2) for one in problem.visits], np.int64)
    homes = home[visit_of]
    elsewhere: NDArray[np.bool_] = (homes != -1) & (homes != at[session_of])
    return elsewhere


def _day(on: str) -> int:
    return date.fromisoformat(on).toordinal()
