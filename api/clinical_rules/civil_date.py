"""Civil dates as `YYYY-MM-DD`, without clock, zone or locale."""

from datetime import date, timedelta

_LENGTH = len("2026-03-01")
_FIRST_YEAR = 1900
_LAST_YEAR = 2199


def is_civil_date(text: str) -> bool:
    """Say whether the text is a day of the calendar from 1900 to 2199, as `YYYY-MM-DD`."""
    digits = text[:4] + text[5:7] + text[8:]
    if len(text) != _LENGTH or text[4] + text[7] != "--":
        return False
    if not (digits.isascii() and digits.isdigit()):
        return False
    if not _FIRST_YEAR <= int(text[:4]) <= _LAST_YEAR:
        return False
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


def add_days(on: str, days: int) -> str:
    """Return the civil date that lies `days` days later; earlier for a negative number."""
    return (date.fromisoformat(on) + timedelta(days=days)).isoformat()


def days_between(from_on: str, to_on: str) -> int:
    """Return how many days `to_on` lies after `from_on`; negative when before."""
    return (date.fromisoformat(to_on) - date.fromisoformat(from_on)).days


def add_interval(on: str, *, months: int, days: int) -> str:
    """Return the civil date after an interval: months are added first, then days (FU1).

    A day that the month lacks becomes its last day (FU2).

    Examples
    --------
    >>> add_interval("2026-01-31", months=1, days=0)
    '2026-02-28'
    """
    start = date.fromisoformat(on)
    month = start.year * 12 + start.month - 1 + months
    year, place = divmod(month, 12)
    first = date(year, place + 1, 1)
    last_day = (date(year + (place + 1) // 12, (place + 1) % 12 + 1, 1) - timedelta(days=1)).day
    return (first.replace(day=min(start.day, last_day)) + timedelta(days=days)).isoformat()
