"""Counts of an outcome by unit; where several units are told small groups are hidden (HAZ-49).

There each count is told to the nearest five as well, so that what two readings tell cannot be
subtracted (OC16).
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from api.registry.round_counts import round_count
from api.registry.suppress_small import is_small, suppress_parts, suppress_table


class Cells(NamedTuple):
    """To how many cases it happened, to how many not, of how many nobody knows, is it not due."""

    happened: int
    did_not: int
    missing: int
    not_due: int = 0

    @property
    def judged(self) -> int:
        """All of whom it is known."""
        return self.happened + self.did_not


NONE = Cells(0, 0, 0)


class CellTable:
    """Who may be told what: everything at a unit, and no small group at a hub.

    The whole table decides, also where one unit alone is asked for: otherwise two questions
    together would tell what each of them hides.
    """

    def __init__(self, cases: Mapping[str, int], *, hides: bool) -> None:
        self._hides = hides
        told = suppress_parts(cases) if hides else dict(cases)
        self._cases = told
        self.total = sum(cases.values())

    @property
    def units(self) -> list[str]:
        """Every unit with a case."""
        return list(self._cases)

    def cases_of(self, unit: str) -> int | None:
        """Return the cases of a unit, None where they may not be told."""
        cases = self._cases.get(unit, 0)
        return None if cases is None else self.tell(cases)

    def tell(self, count: int) -> int:
        """Return a count as it may be told here."""
        return round_count(count) if self._hides else count

    def hides(self, count: int) -> bool:
        """Say whether a count may not be told here."""
        return self._hides and is_small(count)

    def tell_units(self, table: Mapping[str, Cells]) -> dict[str, Cells | None]:
        """Return what of an outcome may be told of each unit."""
        rows = [table.get(unit, NONE) for unit in self._cases]
        if not self._hides:
            return dict(zip(self._cases, rows, strict=True))
        shown: Sequence[Sequence[int | None]] = suppress_table(rows)
        return {
            unit: None if None in cells or self._cases[unit] is None else self._round(row)
            for unit, row, cells in zip(self._cases, rows, shown, strict=True)
        }

    def tell_total(self, table: Mapping[str, Cells]) -> Cells | None:
        """Return what may be told of an outcome in all units together.

        Of few cases nothing is told, also where something else is counted: few patients may have
        many windows of follow-up.
        """
        total = add_cells(table.values())
        is_hidden = self.hides(self.total) or None in suppress_parts(total._asdict()).values()
        if self._hides and is_hidden:
            return None
        return self._round(total)

    def tell_parts(self, counts: Mapping[str, int]) -> dict[str, int | None]:
        """Return counts of which the sum is told beside them."""
        if not self._hides:
            return dict(counts)
        return {
            part: None if count is None else self.tell(count)
            for part, count in suppress_parts(counts).items()
        }

    def tell_pairs(self, pairs: Sequence[tuple[int, int]]) -> list[int | None]:
        """Return the first of each pair of which both sums are told."""
        if not self._hides:
            return [pair[0] for pair in pairs]
        return [None if row[0] is None else self.tell(row[0]) for row in suppress_table(pairs)]

    def _round(self, cells: Cells) -> Cells:
        return Cells(*map(self.tell, cells))


def add_cells(cells: Iterable[Cells]) -> Cells:
    """Return the cells of several units together."""
    held = list(cells)
    return Cells(*(sum(one[place] for one in held) for place in range(len(NONE))))
