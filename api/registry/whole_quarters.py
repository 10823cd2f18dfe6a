"""Periods of whole quarters: of two that differ, the difference is a quarter at least. Pure."""

import calendar

_MONTHS = 3


def first_of_quarter(on: str) -> str:
    """Return the first day of the quarter of a civil date.

    Examples
    --------
    >>> first_of_quarter("2026-05-17")
    '2026-04-01'
    """
    year, month = on[:4], int(on[5:7])
    return f"{year}-{month - (month - 1) % _MONTHS:02d}-01"


def last_of_quarter(on: str) -> str:
    """Return the last day of the quarter of a civil date.

    Examples
    --------
    >>> last_of_quarter("2026-05-17"), last_of_quarter("2026-03-31")
    ('2026-06-30', '2026-03-31')
    """
    month = int(on[5:7])
    last = month + (-month) % _MONTHS
    return f"{on[:4]}-{last:02d}-{calendar.monthrange(int(on[:4]), last)[1]:02d}"


def widen_to_quarters(from_on: str, until_on: str) -> tuple[str, str]:
    """Return a period of whole quarters that holds another; "" is no end and stays."""
    return (
        first_of_quarter(from_on) if from_on else "",
        last_of_quarter(until_on) if until_on else "",
    )
