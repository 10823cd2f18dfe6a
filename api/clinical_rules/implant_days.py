"""On which days an implant may have been used, and whether a day lies in a period (LT8).

Pure: no clock, no store. What nobody can tell lies in every period: else a recall would pass over
whoever bears it.
"""

from collections.abc import Iterable

from api.clinical_rules.civil_date import is_civil_date


def days_of(on: str | None, case_days: Iterable[str]) -> tuple[str | None, ...]:
    """Return the days on which an implant may have been used, at least one.

    Its own, else those of its cases. None, and whatever is no day of the calendar, is a day that
    nobody can tell.

    Parameters
    ----------
    on : str or None
        Its own day; None where it says none.
    case_days : iterable of str
        The day of the procedure of each of its cases, "" where nobody can tell.
    """
    return (on,) if on is not None else tuple(dict.fromkeys(case_days)) or (None,)


def is_within(on: str | None, first: str | None, last: str | None) -> bool:
    """Say whether a day lies within two days; one that is no day may lie anywhere."""
    if on is None or not is_civil_date(on):
        return True
    return (first is None or first <= on) and (last is None or on <= last)
