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
