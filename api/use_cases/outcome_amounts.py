"""What is counted in each case of a reading: coils, adhesive, sessions."""

from collections import Counter
from collections.abc import Iterable, Sequence

from api.outcomes.amounts import find_quartiles
from api.outcomes.definitions import Amount
from api.use_cases.outcome_report import ToldAmount

# Columns of a case, in the order in which they are counted together.
AMOUNTS = ("coils", "adhesive_ul", "sessions")
# Of these a 0 is none given, not a number of them.
_GIVEN_OR_NOT = "adhesive_ul"


def count_amount(rows: Iterable[Sequence[int | None]], amount: str) -> tuple[Counter[int], int]:
    """Return how often each number occurs, and how many cases have none.

    Parameters
    ----------
    rows : iterable of sequence
        The columns of `AMOUNTS`, and last how many cases have these.
    """
    counts: Counter[int] = Counter()
    missing = 0
    place = AMOUNTS.index(amount)
    for row in rows:
        number, cases = row[place], row[-1] or 0
        if number is None:
            missing += cases
        elif number or amount != _GIVEN_OR_NOT:
            counts[number] += cases
    return counts, missing


def tell_amount(
    by: Amount, counts: Counter[int], missing: int, *, is_told: bool, cases: int | None
) -> ToldAmount:
    """Return median and quartiles; where `cases` is None nobody is told of how many."""
    quartiles = find_quartiles(counts) if is_told else None
    low, median, high = quartiles or (None, None, None)
    shows = is_told and cases is not None
    return ToldAmount(
        amount=by.amount,
        definition=by.definition,
        source=by.source,
        cases=cases if shows else None,
        missing=missing if shows else None,
        median=median,
        low=low,
        high=high,
    )
