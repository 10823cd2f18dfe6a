"""Exact decimal numbers and rounding: no binary fraction enters a rule.

Logarithms are those of Python's `decimal`; the twin `measures.ts` has its own series, so that
each engine checks the other.
"""

from collections.abc import Callable
from decimal import ROUND_HALF_UP, Context, Decimal, localcontext
from functools import wraps
from typing import ParamSpec, TypeVar

P = ParamSpec("P")
R = TypeVar("R")

_EXACT = Context(prec=60, rounding=ROUND_HALF_UP)


def exactly(calculate: Callable[P, R]) -> Callable[P, R]:
    """Run a calculation with 60 significant digits, whatever context the caller has."""

    @wraps(calculate)
    def run(*args: P.args, **kwargs: P.kwargs) -> R:
        with localcontext(_EXACT):
            return calculate(*args, **kwargs)

    return run


def clamp(amount: Decimal, least: Decimal, most: Decimal) -> Decimal:
    """Return the amount, or the bound that it passes."""
    return min(max(amount, least), most)


@exactly
def round_half_up(amount: Decimal, places: int) -> Decimal:
    """Return the amount with `places` decimals; a half goes away from zero (LS2).

    Examples
    --------
    >>> round_half_up(Decimal("14.5"), 0), round_half_up(Decimal("-2.31925"), 4)
    (Decimal('15'), Decimal('-2.3193'))
    """
    return amount.quantize(Decimal(1).scaleb(-places))


def write_number(amount: Decimal) -> int | float:
    """Return a JSON number: without a decimal point when whole, as JavaScript writes it."""
    return int(amount) if amount == amount.to_integral_value() else float(amount)


@exactly
def write_digits(amount: Decimal) -> str:
    """Return the number in plain digits for a sentence, without exponent or needless zeros."""
    plain = f"{amount:f}"
    return plain.rstrip("0").rstrip(".") if "." in plain else plain
