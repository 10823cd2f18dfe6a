"""Cases of a reading by month of treatment, and in how many of them each outcome happened.

No month is later than that of the reading: at a hub days are moved by up to half a year, and a
chart that runs on into the future tells of moved days and of no case.
"""

from collections.abc import Iterable, Sequence

from api.outcomes.verdict_counts import count_marks
from api.use_cases.outcome_cells import CellTable
from api.use_cases.outcome_report import ToldMonth

_LETTERS = len("2026-05")


def last_month(today: str, *, from_on: str) -> str:
    """Return the last month that is told of: today's, or that of a period that begins later."""
    return max(today[:_LETTERS], from_on[:_LETTERS])


def tell_months(
    counted: Iterable[tuple[Sequence[str], int]],
    outcomes: Sequence[str],
    table: CellTable,
    *,
    last: str,
) -> list[ToldMonth]:
    """Return what may be told of each month (OC17).

    Parameters
    ----------
    counted : iterable of ((month, verdicts), cases)
        Months as `YYYY-MM`; verdicts one mark for each of the outcomes.
    outcomes : sequence of str
        In the order of the marks.
    last : str
        The cases of later months are counted in this one.
    """
    cells = count_marks(
        ((min(month, last), verdicts, count) for (month, verdicts), count in counted),
        len(outcomes),
    )
    cases = {month: sum(marks[0]) for month, marks in cells.items()}
    told = table.tell_parts(cases)
    by_outcome = {
        outcome: table.tell_pairs(
            [
                (cells[month][place].happened, cases[month] - cells[month][place].happened)
                for month in cells
            ]
        )
        for place, outcome in enumerate(outcomes)
    }
    return [
        ToldMonth(
            month,
            told[month],
            {
                outcome: None if told[month] is None else happened[place]
                for outcome, happened in by_outcome.items()
            },
        )
        for place, month in enumerate(cells)
    ]
