"""Periods in which a hub tells outcomes: all time, one calendar year, or one quarter. Pure.

Of two that differ either one holds the other or neither shares a day with it. Periods that slide
over each other would tell a small group between them, however much each count is rounded: hundreds
of them leave one number alone that fits all (OC16) [HAZ-49].
"""

from api.registry.whole_quarters import first_of_quarter, last_of_quarter

_YEAR = 4
ALL_TIME = ("", "")


def find_told_period(from_on: str, until_on: str) -> tuple[str, str]:
    """Return the smallest period that is told and holds another; "" has no end.

    Examples
    --------
    >>> find_told_period("2026-05-17", "2026-06-01")
    ('2026-04-01', '2026-06-30')
    >>> find_told_period("2026-03-17", "2026-06-01")
    ('2026-01-01', '2026-12-31')
    >>> find_told_period("2025-12-31", "2026-01-01"), find_told_period("2026-01-01", "")
    (('', ''), ('', ''))
    """
    if not from_on or not until_on:
        return ALL_TIME
    quarter = first_of_quarter(from_on), last_of_quarter(until_on)
    if quarter[0] == first_of_quarter(until_on):
        return quarter
    year = from_on[:_YEAR]
    return year_around(from_on) if year == until_on[:_YEAR] else ALL_TIME


def year_around(on: str) -> tuple[str, str]:
    """Return the first and the last day of the calendar year of a civil date."""
    return f"{on[:_YEAR]}-01-01", f"{on[:_YEAR]}-12-31"


def is_quarter(from_on: str, until_on: str) -> bool:
    """Say whether a period that is told is one quarter."""
    return bool(from_on) and (from_on, until_on) != year_around(from_on)


def quarters_of_year(on: str) -> list[tuple[str, str]]:
    """Return the four quarters of the calendar year of a civil date.

    Examples
    --------
    >>> quarters_of_year("2026-05-17")[1]
    ('2026-04-01', '2026-06-30')
    """
    year = on[:_YEAR]
    firsts = [f"{year}-{month:02d}-01" for month in (1, 4, 7, 10)]
    return [(first, last_of_quarter(first)) for first in firsts]
