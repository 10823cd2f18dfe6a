"""How often each outcome has each mark, from verdicts that are counted by their whole text. Pure.

Cases of a network have few verdicts that differ, so a database counts whole texts, and only those
are taken apart.
"""

from collections.abc import Hashable, Iterable
from typing import NamedTuple, TypeVar

import numpy as np

from api.outcomes.episode_rows import MARK_HAPPENED, MARK_MISSING, MARK_NOT, MARK_NOT_DUE

_MARKS = (MARK_HAPPENED, MARK_NOT, MARK_MISSING, MARK_NOT_DUE)
Key = TypeVar("Key", bound=Hashable)


class Marks(NamedTuple):
    """To how many cases it happened, to how many not, of how many nobody knows, is it not due."""

    happened: int
    did_not: int
    missing: int
    not_due: int


def count_marks(counted: Iterable[tuple[Key, str, int]], outcomes: int) -> dict[Key, list[Marks]]:
    """Return of each key the marks of each outcome, keys in the order in which they come.

    Parameters
    ----------
    counted : iterable of (key, verdicts, cases)
        A key may come often, and with the same verdicts too.
    outcomes : int
        How many marks a text of verdicts has.
    """
    places: dict[str, int] = {}
    held: dict[Key, tuple[list[int], list[int]]] = {}
    for key, verdicts, cases in counted:
        which, counts = held.setdefault(key, ([], []))
        which.append(places.setdefault(verdicts, len(places)))
        counts.append(cases)
    signs = np.array([list(verdicts) for verdicts in places]).reshape(len(places), outcomes)
    found = [signs == mark for mark in _MARKS]
    told: dict[Key, list[Marks]] = {}
    for key, (which, counts) in held.items():
        weights = np.array(counts, dtype=np.int64)
        columns = [(weights @ one[which].astype(np.int64)).tolist() for one in found]
        told[key] = [Marks(*marks) for marks in zip(*columns, strict=True)]
    return told
