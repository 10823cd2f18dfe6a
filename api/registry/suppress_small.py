"""Small groups are not told, and cannot be got by subtraction either [HAZ-49]. Pure.

A count from 1 to k - 1 is hidden; a sum that is one has to be hidden by whoever tells it. Where
just one cell of a sum is hidden, or those hidden add up to less than k, the sum less the others
would give it away: then the next smallest is hidden too.
"""

from collections.abc import Hashable, Mapping, Sequence
from typing import TypeVar

FEWEST = 5
Key = TypeVar("Key", bound=Hashable)


def is_small(count: int, fewest: int = FEWEST) -> bool:
    """Say whether a count may not be told; nobody at all may be."""
    return 0 < count < fewest


def suppress_parts(counts: Mapping[Key, int], fewest: int = FEWEST) -> dict[Key, int | None]:
    """Return the parts of a sum that is told, None for each that may not be.

    Parameters
    ----------
    counts : mapping
        Parts to their counts; together the sum that stands beside them.

    Returns
    -------
    dict
        The same keys in the same order.

    Examples
    --------
    >>> suppress_parts({"a": 3, "b": 9, "c": 40})
    {'a': None, 'b': None, 'c': 40}
    """
    small = {key for key, count in counts.items() if is_small(count, fewest)}
    hidden = _hide_more(counts, small, fewest)
    return {key: None if key in hidden else count for key, count in counts.items()}


def suppress_table(rows: Sequence[Sequence[int]], fewest: int = FEWEST) -> list[list[int | None]]:
    """Return a table whose sums of rows and columns are told, None for each cell that may not be.

    Rows and columns are looked at in turn until none has a hidden cell that its sum gives away.

    Raises
    ------
    ValueError
        The rows are not of one length: a mistake of the program.
    """
    if len({len(row) for row in rows}) > 1:
        raise ValueError("The rows of the table are not of one length. Fill it first.")
    hidden = {
        (y, x)
        for y, row in enumerate(rows)
        for x, count in enumerate(row)
        if is_small(count, fewest)
    }
    lines = [
        *([(y, x) for x in range(len(row))] for y, row in enumerate(rows)),
        *([(y, x) for y in range(len(rows))] for x in range(len(rows[0]) if rows else 0)),
    ]
    while True:
        before = len(hidden)
        for line in lines:
            counts = {place: rows[place[0]][place[1]] for place in line}
            hidden |= _hide_more(counts, hidden & counts.keys(), fewest)
        if len(hidden) == before:
            break
    return [
        [None if (y, x) in hidden else count for x, count in enumerate(row)]
        for y, row in enumerate(rows)
    ]


def _hide_more(counts: Mapping[Key, int], hidden: set[Key], fewest: int) -> set[Key]:
    """Return what else has to be hidden of one sum, with what is hidden already."""
    found = set(hidden)
    # The smallest first, and of equal ones the first: the least is lost. A 0 hides nobody.
    rest = [key for key, count in counts.items() if key not in found and count]
    rest.sort(key=lambda key: counts[key])
    while found and rest and (len(found) == 1 or sum(counts[one] for one in found) < fewest):
        found.add(rest.pop(0))
    return found
