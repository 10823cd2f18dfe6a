"""The cheapest way to seat all visits, found as a matching and proved in whole numbers.

Every visit has, beside the places it could have, a place of its own that means "stays unbooked";
so all visits can always be seated, and a full matching exists.
"""

import msgspec
import numpy as np
from numpy.typing import NDArray

from api.booking.booking_costs import Choices, Whole
from api.booking.booking_proof import is_proved
from api.booking.errors import BookingError

UNBOOKED = -1
# The matching calculates with doubles, which hold whole numbers up to 2^53 exactly. Since every
# visit has a free place of its own, no path is longer than a few of the largest weight.
_LARGEST_WEIGHT = 2**53 // 16


class Optimum(msgspec.Struct, frozen=True, kw_only=True):
    """Who is seated where.

    Parameters
    ----------
    seats : array
        Per visit: the place of its session in the problem, `UNBOOKED` for none.
    cost : int
        Sum over all visits.
    is_optimal : bool
        Whether it was proved that no seating costs less.
    """

    seats: Whole
    cost: int
    is_optimal: bool


def find_optimum(choices: Choices, capacities: Whole) -> Optimum:
    """Return the cheapest seating; of several of one cost the one with the lowest ties.

    Parameters
    ----------
    capacities : array
        Per session: how many visits it may hold, not negative.

    Raises
    ------
    BookingError
        The weights would not be exact.

    References
    ----------
    Jonker and Volgenant 1987, Computing 38: 325-340, as in
    `scipy.sparse.csgraph.min_weight_full_bipartite_matching`.
    """
    visits = len(choices.unbooked)
    if visits == 0:
        return Optimum(seats=np.empty(0, np.int64), cost=0, is_optimal=True)
    # Ties count for less than one unit of cost, all visits together.
    scale = int(choices.ties.max(initial=0)) * visits + 1
    if (int(choices.unbooked.max()) + 1) * scale >= _LARGEST_WEIGHT:
        message = "There are too many visits for one proposal. Choose an earlier last day."
        raise BookingError(message)
    weights = choices.costs * scale + choices.ties
    unbooked = choices.unbooked * scale
    seats = _match(choices, weights, unbooked, capacities)
    counts = np.diff(choices.first)
    is_taken = choices.sessions == np.repeat(seats, counts)
    cost = int(choices.costs[is_taken].sum()) + int(choices.unbooked[seats == UNBOOKED].sum())
    return Optimum(
        seats=seats,
        cost=cost,
        is_optimal=is_proved(choices, weights, unbooked, capacities, seats),
    )


def _match(choices: Choices, weights: Whole, unbooked: Whole, capacities: Whole) -> Whole:
    """Match visits to places: a session is as many columns as it has places that could be taken."""
    # Loading takes half a second, which only proposing needs.
    from scipy.sparse import csr_array  # type: ignore[import-untyped]
    from scipy.sparse.csgraph import (  # type: ignore[import-untyped]
        min_weight_full_bipartite_matching,
    )

    visits = len(unbooked)
    wanted = np.bincount(choices.sessions, minlength=len(capacities))
    places = np.minimum(capacities, wanted)
    first_column = np.cumsum(places) - places
    repeats = places[choices.sessions]
    visit_of = np.repeat(np.arange(visits), np.diff(choices.first))
    within = np.arange(repeats.sum()) - np.repeat(np.cumsum(repeats) - repeats, repeats)
    rows = np.concatenate([np.repeat(visit_of, repeats), np.arange(visits)])
    own = int(places.sum()) + np.arange(visits)
    columns = np.concatenate([np.repeat(first_column[choices.sessions], repeats) + within, own])
    # A weight of zero would count as no edge; each visit has one place, so one more on all of
    # them changes no comparison.
    content = np.concatenate([np.repeat(weights, repeats), unbooked]) + 1
    shape = (visits, int(places.sum()) + visits)
    graph = csr_array((content.astype(np.float64), (rows, columns)), shape=shape)
    _, taken = min_weight_full_bipartite_matching(graph)
    session_of = np.concatenate([np.repeat(np.arange(len(capacities)), places), own * 0 + UNBOOKED])
    seats: NDArray[np.int64] = session_of[taken].astype(np.int64)
    return seats
