"""Proof that a seating is the cheapest: prices of sessions under which nobody would rather move.

By linear programming duality a seating is optimal when each session can be given a price, 0 where
it has room left, so that every visit has the place that is cheapest for it, price included. The
prices are sought in whole numbers and know nothing of how the seating was found.
"""

import numpy as np

from api.booking.booking_costs import Choices, Whole

# A few dozen are usual; whoever needs more is told that nothing was proved.
_MOST_ROUNDS = 2_000


def is_proved(
    choices: Choices, weights: Whole, unbooked: Whole, capacities: Whole, seats: Whole
) -> bool:
    """Say whether prices exist under which every visit is content with its seat.

    Parameters
    ----------
    weights, unbooked : array
        Per choice and per visit, as they were compared.
    seats : array
        Per visit: its session, -1 for none.

    Notes
    -----
    A seat beyond a capacity, or one that was no choice, is no seating, and proves nothing.
    """
    visits = np.arange(len(seats))
    counts = np.diff(choices.first)
    is_taken = choices.sessions == np.repeat(seats, counts)
    taken_by = np.repeat(visits, counts)[is_taken]
    seated = np.flatnonzero(seats >= 0)
    if not np.array_equal(taken_by, seated):
        return False
    filled = np.bincount(seats[seated], minlength=len(capacities))
    if (filled > capacities).any():
        return False
    paid = unbooked.copy()
    paid[seated] = weights[is_taken]
    # Gain of a seat is minus its price. Moving from seat a to place b must not pay:
    # gain(b) <= gain(a) + weight(b) - weight(a).
    visit_of = np.repeat(visits, counts)[~is_taken]
    to, step = choices.sessions[~is_taken], weights[~is_taken] - paid[visit_of]
    order = np.argsort(to, kind="stable")
    visit_of, to, step = visit_of[order], to[order], step[order]
    gains = np.zeros(len(capacities) + 1, np.int64)  # the last: staying unbooked costs no price
    has_room = np.append(filled < capacities, True)
    seats_from = seats[visit_of]  # -1 is the last
    begins = np.flatnonzero(np.diff(to, prepend=-1))
    for _ in range(_MOST_ROUNDS):
        if len(to) == 0:
            break
        found = np.minimum.reduceat(gains[seats_from] + step, begins)
        lower = np.minimum(gains[to[begins]], found)
        if np.array_equal(lower, gains[to[begins]]):
            break
        gains[to[begins]] = lower
        if (gains[has_room] < 0).any():
            return False
    else:
        return False
    wants_out = gains[seats[seated]] + unbooked[seated] - paid[seated] < 0
    return not bool(wants_out.any())
