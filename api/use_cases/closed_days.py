"""The public holidays of the unit's country, for every device that lays out or shows sessions."""

import re
from functools import lru_cache

import msgspec

from api.booking.clinic_calendar import list_holidays
from api.booking.errors import BookingError
from api.clinical_rules.civil_date import add_days
from api.storage.unit_store import UnitStore
from api.use_cases.active_staff import refuse_stranger
from api.use_cases.errors import CalculationError
from api.use_cases.record_values import parts_of
from api.use_cases.server_log import Chance, write_as_server
from sync.merge import shown_value

# Unit setting (project default): past the end of the season after next.
AHEAD_DAYS = 800
# ISO 3166-1 alpha-2, and what follows the hyphen in ISO 3166-2.
_COUNTRY, _SUBDIVISION = re.compile(r"[A-Z]{2}"), re.compile(r"[A-Z0-9]{0,3}")


class ClosedDay(msgspec.Struct, frozen=True):
    """One day on which no session takes place; ``name`` is that of the holiday, in English."""

    on: str
    name: str


class ClosedDays(msgspec.Struct, frozen=True, kw_only=True):
    """The holidays from one civil date to another; ``country`` is "" where the unit named none."""

    country: str
    subdivision: str
    from_on: str
    until_on: str
    days: tuple[ClosedDay, ...]


def list_closed_days(store: UnitStore, *, on: str) -> ClosedDays:
    """Return the holidays of the unit's country for `AHEAD_DAYS` days from a civil date on.

    Raises
    ------
    CalculationError
        No holidays are known for the country that the record names.
    """
    with store.transaction():
        country, subdivision = _holidays_of(store)
    until_on = add_days(on, AHEAD_DAYS)
    return ClosedDays(
        country=country,
        subdivision=subdivision,
        from_on=on,
        until_on=until_on,
        days=_find_days(country, subdivision, on, until_on),
    )


def name_country(
    store: UnitStore, country: str, subdivision: str, *, by: str, chance: Chance
) -> None:
    """Record whose public holidays the unit keeps, on its site; inside a transaction.

    Parameters
    ----------
    country, subdivision : str
        ISO 3166-1 alpha-2 and the part after the hyphen of ISO 3166-2, "" for the whole country.
    by : str
        The person who says so, ``staff/<id>``.

    Raises
    ------
    CalculationError
        No holidays are known for them. Nothing is written.
    NotAllowedError
        The person is no active member of staff.
    """
    refuse_stranger(store, by)
    _find_days(country, subdivision, "2026-01-01", "2026-12-31")
    if _holidays_of(store) == (country, subdivision):
        return
    sites = store.views.of_kind("site")
    record = sites[0].record if sites else f"site/{chance.new_id}"
    held = sites[0].fields.get("holidays_of") if sites else None
    write_as_server(
        store,
        record,
        {"holidays_of": {"country": country, "subdivision": subdivision}},
        by=by,
        because="the holidays that the unit keeps",
        chance=chance,
        over={"holidays_of": held.references} if held else None,
    )


def has_country(store: UnitStore) -> bool:
    """Say whether the unit's record names a country; inside a transaction."""
    return _holidays_of(store)[0] != ""


def _holidays_of(store: UnitStore) -> tuple[str, str]:
    """Return country and subdivision as the record has them, "" where nobody named one."""
    for site in store.views.of_kind("site"):
        parts = parts_of(shown_value(site.fields.get("holidays_of")))
        country, subdivision = parts.get("country"), parts.get("subdivision") or ""
        # Any device may have written anything: what is no code names no country.
        if _is_code(country, _COUNTRY) and _is_code(subdivision, _SUBDIVISION):
            return str(country), str(subdivision)
    return "", ""


def _is_code(value: object, form: re.Pattern[str]) -> bool:
    return isinstance(value, str) and form.fullmatch(value) is not None


@lru_cache(maxsize=8)
def _find_days(
    country: str, subdivision: str, from_on: str, until_on: str
) -> tuple[ClosedDay, ...]:
    try:
        found = list_holidays(country, subdivision, from_on=from_on, until_on=until_on)
    except BookingError as error:
        raise CalculationError(str(error)) from error
    return tuple(ClosedDay(on, name) for on, name in found.items())
