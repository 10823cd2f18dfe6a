"""Outcomes by unit, period and case mix: at a hub from the registry, at a unit from its cases."""

import re
from collections.abc import Callable

import msgspec

from api.clinical_rules.civil_date import is_civil_date
from api.outcomes.definitions import packaged_definitions
from api.outcomes.episode_rows import MIX
from api.registry.suppress_small import is_small
from api.registry.told_periods import (
    find_told_period,
    is_quarter,
    quarters_of_year,
    year_around,
)
from api.storage.outcome_rows import Choice, hold_rows
from api.storage.unit_store import UnitStore
from api.use_cases.errors import CalculationError
from api.use_cases.network_units import unit_name
from api.use_cases.outcome_reading import OutcomeReading
from api.use_cases.outcome_report import OutcomeReport, ToldMix
from api.use_cases.own_outcomes import OWN, read_own_rows
from api.use_cases.record_values import text_of
from api.use_cases.server_role import is_hub

_UNIT = re.compile(r"[A-Za-z0-9-]{0,64}")
# Who tells which field of the case mix; the others are bands of a number.
_TOLD_BY = {"sex": "registry_patient"}


class OutcomeAsk(msgspec.Struct, frozen=True, kw_only=True):
    """What is asked for; what is left out narrows nothing.

    Parameters
    ----------
    from_on, until_on : str
        Civil dates of treatment, both included.
    mix : str
        ``field:value``, several parted by commas; an empty value is "not recorded".
    """

    from_on: str = ""
    until_on: str = ""
    unit: str = ""
    mix: str = ""


def read_outcomes(
    store: UnitStore, ask: OutcomeAsk, *, now_ms: int, on: str, time_zone: str
) -> OutcomeReport:
    """Return the outcomes of the cases that are asked for.

    Parameters
    ----------
    on : str
        Today: at a unit what was told by then counts, and no month told is later (OC17).
    time_zone : str
        IANA name of the zone that holds where the unit's site names none.

    Raises
    ------
    CalculationError
        A date, a unit or a field of the case mix is none.

    Notes
    -----
    A hub counts all time, one calendar year or one quarter: any other period is widened to the
    smallest of these that holds it, and the answer names the one that was counted (OC16).
    """
    choice = read_choice(ask)
    at_hub = is_hub(store)
    own = None if at_hub else hold_rows(read_own_rows(store, on=on, time_zone=time_zone))
    with store.reading():
        if at_hub:
            choice = _widen(store, choice)
        limits = store.outcomes.kept_limits()
        known = set(limits)
        reading = OutcomeReading(
            store.outcomes if own is None else own, choice, _namer(store), limits, hides=at_hub
        )
        report = reading.tell(_list_mixes(store), now_ms=now_ms, on=on)
    played = {mix: limit for mix, limit in limits.items() if mix not in known}
    if played:
        with store.transaction():
            store.outcomes.keep_limits(played)
    return report


def read_choice(ask: OutcomeAsk) -> Choice:
    """Return which cases are asked for.

    Raises
    ------
    CalculationError
        As `read_outcomes`.
    """
    for on in (ask.from_on, ask.until_on):
        if on and not is_civil_date(on):
            message = f"{on} is no day. Write it as 2026-01-31."
            raise CalculationError(message)
    if ask.from_on and ask.until_on and ask.from_on > ask.until_on:
        raise CalculationError("The period ends before it begins. Exchange the two days.")
    if not _UNIT.fullmatch(ask.unit):
        raise CalculationError("A unit is told by its id. Take one of `units`, or none for all.")
    mix: list[tuple[str, str]] = []
    for part in filter(None, ask.mix.split(",")):
        field, colon, value = part.partition(":")
        if not colon or field not in MIX or field in dict(mix):
            message = f"{part} narrows nothing. Write field:value, each field once, of `mixes`."
            raise CalculationError(message)
        mix.append((field, value))
    return Choice(from_on=ask.from_on, until_on=ask.until_on, unit=ask.unit, mix=tuple(mix))


def _widen(store: UnitStore, choice: Choice) -> Choice:
    """Return the choice in a period that a hub tells (OC16).

    A quarter is told where each quarter of its year is large enough or empty, of all units
    together: else the year would tell the small one, less the other three.
    """
    period = find_told_period(choice.from_on, choice.until_on)
    if is_quarter(*period):
        of_year = (_count(store, choice, one) for one in quarters_of_year(period[0]))
        if any(is_small(cases) for cases in of_year):
            period = year_around(period[0])
    return msgspec.structs.replace(choice, from_on=period[0], until_on=period[1])


def _count(store: UnitStore, choice: Choice, period: tuple[str, str]) -> int:
    """Return how many cases of all units a choice has in a period."""
    chosen = msgspec.structs.replace(choice, unit="", from_on=period[0], until_on=period[1])
    return sum(count for _, count in store.outcomes.count(chosen, "unit"))


def _namer(store: UnitStore) -> Callable[[str], str]:
    """Return what names a unit: this site alone, or units as the hub calls them."""
    site = next((text_of(one, "name") for one in store.views.of_kind("site")), "")
    return lambda unit: site or unit if unit == OWN else unit_name(store, unit)


def _list_mixes(store: UnitStore) -> list[ToldMix]:
    """Return every field of the case mix with its values, the one for "not recorded" last."""
    bands = {one.field: [name for _, name in one.starts] for one in packaged_definitions().bands}
    found = []
    for field in MIX:
        kind = store.catalogue.kinds[_TOLD_BY.get(field, "registry_case")]
        told = [value for one in kind.fields if one.id == field for value in one.values or ()]
        found.append(ToldMix(field, [*bands.get(field, told), ""]))
    return found
