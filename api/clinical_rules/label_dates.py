"""Dates of device labels: short years, day 00, day of the year. Today comes in as an argument."""

from calendar import monthrange

from api.clinical_rules.civil_date import add_days, is_civil_date

_CENTURY = 100
_YEARS_BACK = 51
_YEARS_AHEAD = -50


def read_short_date(digits: str, *, today_on: str) -> str | None:
    """Return the civil date of `YYMMDD`, None when there is none (DL3, DL4).

    Parameters
    ----------
    digits : str
        Six digits; day 00 stands for the last day of the month.
    today_on : str
        Decides the century.

    References
    ----------
    GS1 General Specifications, AI (17) note on day 00 (published) and 7.12 on the century (from
    memory, confirmed with the library biip 5.2.0).

    Examples
    --------
    >>> read_short_date("280200", today_on="2026-03-01")
    '2028-02-29'
    """
    if not _are_digits(digits, 6):
        return None
    year = full_year(int(digits[:2]), today_on=today_on)
    return _civil(year, int(digits[2:4]), int(digits[4:]))


def read_long_date(digits: str) -> str | None:
    """Return the civil date of `YYYYMMDD`, None when there is none."""
    if not _are_digits(digits, 8) or digits.endswith("00"):
        return None
    return _civil(int(digits[:4]), int(digits[4:6]), int(digits[6:]))


def read_day_of_year(digits: str, *, today_on: str) -> str | None:
    """Return the civil date of `YYJJJ`, None when the year has no such day."""
    if not _are_digits(digits, 5):
        return None
    year = full_year(int(digits[:2]), today_on=today_on)
    day = int(digits[2:])
    found = add_days(f"{year}-01-01", day - 1)
    return found if day > 0 and found.startswith(str(year)) else None


def full_year(short_year: int, *, today_on: str) -> int:
    """Return the year that two digits mean: at most 50 years ahead and 49 back (DL4).

    Examples
    --------
    >>> full_year(76, today_on="2026-03-01"), full_year(77, today_on="2026-03-01")
    (2076, 1977)
    """
    year = int(today_on[:4])
    apart = short_year - year % _CENTURY
    century = year - year % _CENTURY
    if apart >= _YEARS_BACK:
        century -= _CENTURY
    elif apart <= _YEARS_AHEAD:
        century += _CENTURY
    return century + short_year


def _civil(year: int, month: int, day: int) -> str | None:
    if not 1 <= month <= 12:  # noqa: PLR2004 - months of a year
        return None
    written = f"{year:04}-{month:02}-{day or monthrange(year, month)[1]:02}"
    return written if is_civil_date(written) else None


def _are_digits(digits: str, length: int) -> bool:
    return len(digits) == length and digits.isascii() and digits.isdigit()
