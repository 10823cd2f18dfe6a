"""A season of clinic sessions from a weekly pattern, with the days on which they do not take place.

Times are wall time at the place: a session at 09:00 is at 09:00 before and after the clocks change.
"""

import hashlib
from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta
from typing import Literal

import msgspec

from api.booking.clinic_pattern import (
    WEEKDAYS,
    ClinicPattern,
    ClosedBecause,
    WeeklySession,
    read_zone,
)
from api.booking.errors import BookingError
from api.clinical_rules.civil_date import days_between


class LaidOutSession(msgspec.Struct, frozen=True, kw_only=True):
    """One session on one day; closed ones are laid out too, so that nobody looks for them.

    Parameters
    ----------
    record : str
        ``clinic_session/<id>``, the same for the same place, day and time.
    closed_note : str
        Name of the holiday; "" for every other reason and where it takes place.
    """

    record: str
    place: str
    on: str
    starts: str
    time_zone: str
    capacity: int
    equipment: tuple[str, ...]
    closed_because: ClosedBecause | Literal[""] = ""
    closed_note: str = ""


def lay_out_sessions(pattern: ClinicPattern) -> tuple[LaidOutSession, ...]:
    """Return every session of the season, by day, time and place.

    Raises
    ------
    BookingError
        The country or subdivision is not known, a session comes twice, or one starts at a time
        that the clocks skip on one of its days.
    """
    days = _days_of(pattern)
    holidays = list_holidays(
        pattern.country, pattern.subdivision, from_on=pattern.from_on, until_on=pattern.until_on
    )
    laid_out = [
        _lay_out(pattern, weekly, on.isoformat(), holidays)
        for weekly in pattern.sessions
        for on in [day for day in days if WEEKDAYS[day.weekday()] == weekly.weekday][
            :: weekly.every_weeks
        ]
    ]
    records = {one.record for one in laid_out}
    if len(records) < len(laid_out):
        message = (
            "The pattern has one place twice at the same weekday and time. "
            "Make it one session with more capacity."
        )
        raise BookingError(message)
    return tuple(sorted(laid_out, key=lambda one: (one.on, one.starts, one.place)))


def list_holidays(country: str, subdivision: str, *, from_on: str, until_on: str) -> dict[str, str]:
    """Return the public holidays of a country and its subdivision, day by day, with their names.

    Days given instead of a holiday at a weekend are among them; days that follow the moon may be
    marked "(estimated)" in their names.

    Raises
    ------
    BookingError
        The country or the subdivision is not known.

    References
    ----------
    The library `holidays`, which follows ISO 3166-1 and ISO 3166-2.
    """
    if not country:
        return {}
    # Loading its tables takes a while, which only laying out needs.
    import holidays

    first, last = int(from_on[:4]), int(until_on[:4])
    try:
        found = holidays.country_holidays(
            country, subdiv=subdivision or None, years=range(first, last + 1), language="en_US"
        )
    except NotImplementedError as error:
        message = (
            f"No holidays are known for {country[:8]!r} with subdivision {subdivision[:8]!r}. Give "
            "the country as in ISO 3166-1, such as GB, and the part of it as in ISO 3166-2, such "
            "as ENG."
        )
        raise BookingError(message) from error
    named = {day.isoformat(): name for day, name in found.items()}
    return {on: named[on] for on in sorted(named) if from_on <= on <= until_on}


def starts_at(on: str, starts: str, time_zone: str) -> datetime:
    """Return the instant at which a session starts, in UTC.

    Of a time that comes twice, when the clocks go back, it is the first.

    Raises
    ------
    BookingError
        The clocks skip that time on that day, or the zone is not known.

    Examples
    --------
    >>> starts_at("2026-03-27", "09:00", "Europe/London").isoformat()
    '2026-03-27T09:00:00+00:00'
    >>> starts_at("2026-03-30", "09:00", "Europe/London").isoformat()
    '2026-03-30T08:00:00+00:00'
    """
    zone = read_zone(time_zone)
    wall = datetime.fromisoformat(f"{on}T{starts}").replace(tzinfo=zone)
    instant = wall.astimezone(UTC)
    if instant.astimezone(zone).replace(tzinfo=None) != wall.replace(tzinfo=None):
        message = (
            f"The clocks skip {starts} on {on} in {time_zone}. Choose another time of that session."
        )
        raise BookingError(message)
    return instant


def session_record(place: str, on: str, starts: str) -> str:
    """Return the record of a session: laying a season out twice makes no second one."""
    digest = hashlib.sha256(f"{place}\n{on}\n{starts}".encode()).hexdigest()
    return f"clinic_session/{on}-{digest[:12]}"


def _lay_out(
    pattern: ClinicPattern, weekly: WeeklySession, on: str, holidays: Mapping[str, str]
) -> LaidOutSession:
    starts_at(on, weekly.starts, pattern.time_zone)
    because: ClosedBecause | Literal[""] = "holiday" if on in holidays else ""
    for closed in pattern.closed:
        is_here = closed.place in ("", weekly.place)
        if because == "" and is_here and closed.on <= on <= (closed.until_on or closed.on):
            because = closed.because
    return LaidOutSession(
        record=session_record(weekly.place, on, weekly.starts),
        place=weekly.place,
        on=on,
        starts=weekly.starts,
        time_zone=pattern.time_zone,
        capacity=weekly.capacity,
        equipment=weekly.equipment,
        closed_because=because,
        closed_note=holidays.get(on, ""),
    )


def _days_of(pattern: ClinicPattern) -> list[date]:
    first = date.fromisoformat(pattern.from_on)
    count = days_between(pattern.from_on, pattern.until_on) + 1
    return [first + timedelta(days=day) for day in range(count)]
