"""At the hub: how many devices of each unit a recall would name, by what units reported.

A unit's own search over its own record is what counts for patients (HAZ-46): the hub sees no name
and finds nobody. Of an expiry date units report the month alone, so the hub counts by whole months
and rather too many than too few.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

import msgspec

from api.clinical_rules.civil_date import add_days, add_interval
from api.clinical_rules.implant_search import (
    Search,
    find_by_item,
    find_cautions,
    find_group,
)
from api.clinical_rules.label_readings import Reading
from api.clinical_rules.lot_names import LookAlikes
from api.registry.suppress_small import FEWEST
from api.storage.network_implants import ReportedImplants
from api.storage.unit_store import UnitStore
from api.storage.view_rows import indexed_look_alikes
from api.use_cases.find_lots import read_search
from api.use_cases.network_units import name_units, unit_name


class DeviceCount(NamedTuple):
    """Devices that a search names, those near to it, those of unknown lot, and cases.

    ``cases`` holds those with a device that is named or near wherever in its month it expires: so
    many a unit finds at the least.
    """

    exact: int
    near: int
    unknown: int
    cases: int


NO_DEVICE = DeviceCount(0, 0, 0, 0)
# A look-alike is no exact find: another device may bear that very lot.
_PLACES = {"same": 0, "alike": 1, "near": 1, "unknown": 2}


class UnitCount(msgspec.Struct, frozen=True, kw_only=True):
    """Devices of one unit: those a notice would name, look-alike or near ones, of unknown lot.

    Each up to the next five, 0 for none.
    """

    unit: str
    name: str
    exact: int
    near: int
    unknown: int


class RecallCounts(msgspec.Struct, frozen=True, kw_only=True):
    """Devices by unit, and what is doubtful about the search."""

    units: list[UnitCount]
    cautions: list[str]


def count_for(
    store: UnitStore, criteria: Mapping[str, Any], *, item: str | None = None
) -> RecallCounts:
    """Return at most how many devices each unit reported that a notice would name.

    Before a notice stands, anybody at the hub could ask for one patient's lot, day by day: so none
    from 1 to 4 is told, nor what a second count would complete (HAZ-49). The notice itself, which
    every unit reads, tells each number.

    Raises
    ------
    CalculationError
        It names nothing to search by.
    """
    search = read_search({**criteria, **({"item": item} if item else {})})
    with store.reading():
        found = count_devices(store, [search])
        names = name_units(store)
        units = [
            _unit_count(store, unit, found.get(unit, NO_DEVICE))
            for unit in sorted({*names, *found}, key=lambda one: (unit_name(store, one), one))
        ]
    return RecallCounts(units=units, cautions=find_cautions(search))


def count_devices(store: UnitStore, searches: Sequence[Search]) -> dict[str, DeviceCount]:
    """Return counts by unit, the higher of each where several searches are one notice's.

    Inside a transaction or a reading.
    """
    look_alikes = indexed_look_alikes()
    found: dict[str, DeviceCount] = {}
    for search in searches:
        wide, narrow = widen_to_months(search), _narrow_to_months(search)
        by_unit: dict[str, list[int]] = {}
        cases: dict[str, set[str]] = {}
        sifted = store.network_implants.sift(wide)
        kinds = _find_kinds(search, sifted, look_alikes)
        for one in sifted:
            readings = [_read(one)]
            group = find_by_item(wide, readings, look_alikes, kinds=kinds, item=one.item).group
            if group is None:
                continue
            by_unit.setdefault(one.unit, [0, 0, 0])[_PLACES[group]] += one.pieces
            sure = find_group(narrow, readings, look_alikes, item=one.item).group
            if sure not in (None, "unknown"):
                cases.setdefault(one.unit, set()).update(one.cases)
        for unit, (exact, near, unknown) in by_unit.items():
            here = DeviceCount(exact, near, unknown, len(cases.get(unit, ())))
            found[unit] = DeviceCount(*map(max, here, found.get(unit, NO_DEVICE)))
    return found


def _read(one: ReportedImplants) -> Reading:
    return Reading(identifier=one.identifier, lot=one.lot, expires_on=one.expires_on)


def _find_kinds(
    search: Search, sifted: Iterable[ReportedImplants], look_alikes: LookAlikes
) -> set[str]:
    """Return of which kinds the devices are that bear the very identifier of a search (LT16).

    What bears no identifier and is of another kind is not counted as unknown. The hub knows no
    stock items: what units reported tells the kind, and nothing where one of it tells none.
    """
    if not search.is_led_by_identifier:
        return set()
    alone = Search(identifier=search.identifier)
    kinds = {
        one.item or ""
        for one in sifted
        if find_group(alone, [_read(one)], look_alikes).group in ("same", "alike")
    }
    return set() if "" in kinds else kinds


def widen_to_months(search: Search) -> Search:
    """Return a search for all that expires in a month in which the search finds something.

    Of an expiry date units report the last day of its month (RG7).
    """
    first, last = search.expires_from, search.expires_to
    return msgspec.structs.replace(
        search,
        expires_from=first and _first_of_month(first),
        expires_to=last and _last_of_month(last),
    )


def _narrow_to_months(search: Search) -> Search:
    """Return a search for what expires in months of which every day is searched for."""
    first, last = search.expires_from, search.expires_to
    if first and first != _first_of_month(first):
        first = add_days(_last_of_month(first), 1)
    if last and last != _last_of_month(last):
        last = add_days(_first_of_month(last), -1)
    return msgspec.structs.replace(search, expires_from=first, expires_to=last)


def _first_of_month(on: str) -> str:
    return f"{on[:-2]}01"


def _last_of_month(on: str) -> str:
    return add_days(add_interval(_first_of_month(on), months=1, days=0), -1)


def _unit_count(store: UnitStore, unit: str, count: DeviceCount) -> UnitCount:
    return UnitCount(
        unit=unit,
        name=unit_name(store, unit),
        exact=_to_the_next_five(count.exact),
        near=_to_the_next_five(count.near),
        unknown=_to_the_next_five(count.unknown),
    )


def _to_the_next_five(count: int) -> int:
    return -(-count // FEWEST) * FEWEST
