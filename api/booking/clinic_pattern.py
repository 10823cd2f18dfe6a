"""What a season of sessions is laid out from: a weekly pattern and the unit's closed days."""

import re
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import msgspec

from api.booking.booking_problem import MOST_DAYS
from api.booking.errors import BookingError
from api.clinical_rules.civil_date import days_between, is_civil_date

Weekday = Literal["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]
Equipment = Literal["scope", "ultrasound-scope", "phone"]
ClosedBecause = Literal["holiday", "staff-away", "room-closed", "equipment-out", "other"]
WEEKDAYS: tuple[Weekday, ...] = (
    "monday",
    "tuesday",
    "wednesday",
    "thursday",
    "friday",
    "saturday",
    "sunday",
)
_TIME = re.compile(r"([01][0-9]|2[0-3]):[0-5][0-9]")
_MOST_CAPACITY = 200
_Words = Annotated[str, msgspec.Meta(min_length=1, max_length=80)]


class WeeklySession(
    msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True
):
    """One session that comes back every week, or every so many weeks.

    Parameters
    ----------
    starts : str
        Wall time, ``HH:MM``.
    capacity : int
        Visits that it may hold.
    every_weeks : int
        1 for every week; counted from the first such weekday of the season.
    """

    weekday: Weekday
    place: _Words
    starts: str
    capacity: Annotated[int, msgspec.Meta(ge=1, le=_MOST_CAPACITY)]
    equipment: tuple[Equipment, ...] = ()
    every_weeks: Annotated[int, msgspec.Meta(ge=1, le=52)] = 1


class ClosedDays(
    msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True
):
    """Days on which the unit itself is closed, or one of its places.

    Parameters
    ----------
    until_on : str
        Last such day; "" where it is `on` alone.
    place : str
        The place that is closed; "" for all of them.
    """

    on: str
    because: ClosedBecause
    until_on: str = ""
    place: str = ""


class ClinicPattern(
    msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True
):
    """What a season is laid out from.

    Parameters
    ----------
    time_zone : str
        IANA name.
    country, subdivision : str
        ISO 3166-1 alpha-2 and the part after the hyphen of ISO 3166-2; their public holidays
        are closed days. "" for the country: none.
    from_on, until_on : str
        First and last civil date.
    """

    time_zone: str
    from_on: str
    until_on: str
    sessions: Annotated[tuple[WeeklySession, ...], msgspec.Meta(min_length=1)]
    country: str = ""
    subdivision: str = ""
    closed: tuple[ClosedDays, ...] = ()


def read_pattern(content: bytes) -> ClinicPattern:
    """Return the pattern that a JSON text holds.

    Raises
    ------
    BookingError
        It is not such a text, or a date, time, zone or place in it is wrong; the sentence says
        what to correct.
    """
    try:
        pattern = msgspec.json.decode(content, type=ClinicPattern)
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        message = f"The pattern cannot be read ({error}). Correct the file."
        raise BookingError(message) from error
    _refuse_faults(pattern)
    return pattern


def read_zone(time_zone: str) -> ZoneInfo:
    """Return the time zone of this IANA name, or refuse it with a `BookingError`."""
    try:
        return ZoneInfo(time_zone)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        message = f"{time_zone[:40]!r} is no time zone such as Europe/London. Correct it."
        raise BookingError(message) from error


def _refuse_faults(pattern: ClinicPattern) -> None:
    dates = [pattern.from_on, pattern.until_on]
    dates += [on for one in pattern.closed for on in (one.on, one.until_on or one.on)]
    wrong = next((on for on in dates if not is_civil_date(on)), None)
    if wrong is not None:
        message = f"{wrong[:24]!r} is no date such as 2026-03-01. Correct it in the pattern."
        raise BookingError(message)
    if not 0 <= days_between(pattern.from_on, pattern.until_on) < MOST_DAYS:
        message = (
            f"The season must end on or after its first day, and within {MOST_DAYS} days. "
            "Correct from_on and until_on."
        )
        raise BookingError(message)
    backward = next((one for one in pattern.closed if one.until_on and one.until_on < one.on), None)
    if backward is not None:
        message = f"The closed days from {backward.on} end before they begin. Correct until_on."
        raise BookingError(message)
    places = {one.place for one in pattern.sessions}
    nowhere = next((one for one in pattern.closed if one.place and one.place not in places), None)
    if nowhere is not None:
        message = (
            f"No session of the pattern is at {nowhere.place[:40]!r}, which has closed days. "
            "Correct the place."
        )
        raise BookingError(message)
    for weekly in pattern.sessions:
        if not _TIME.fullmatch(weekly.starts):
            message = f"{weekly.starts[:24]!r} is no time such as 09:00. Correct it in the pattern."
            raise BookingError(message)
    read_zone(pattern.time_zone)
