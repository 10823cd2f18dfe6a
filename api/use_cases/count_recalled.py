"""At the hub: how many devices of each unit a recall would name, by what units reported.

A unit's own search over its own record is what counts for patients (HAZ-46): the hub sees no name
and finds nobody.
"""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import msgspec

from api.clinical_rules.implant_search import Reading, Search, find_cautions, find_group
from api.storage.unit_store import UnitStore
from api.storage.view_rows import indexed_look_alikes
from api.use_cases.find_lots import read_search
from api.use_cases.network_units import name_units, unit_name


class DeviceCount(NamedTuple):
    """Devices that a search names or nearly so, and those of unknown lot."""

    counted: int
    unknown: int


NO_DEVICE = DeviceCount(0, 0)


class UnitCount(msgspec.Struct, frozen=True, kw_only=True):
    """Devices of one unit: those a notice names or nearly so, and those of unknown lot."""

    unit: str
    name: str
    counted: int
    unknown: int


class RecallCounts(msgspec.Struct, frozen=True, kw_only=True):
    """Devices by unit, and what is doubtful about the search."""

    units: list[UnitCount]
    cautions: list[str]


def count_for(
    store: UnitStore, criteria: Mapping[str, Any], *, item: str | None = None
) -> RecallCounts:
    """Return how many devices each unit reported that a notice would name.

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
        by_unit: dict[str, list[int]] = {}
        for one in store.network_implants.sift(search):
            reading = Reading(identifier=one.identifier, lot=one.lot, expires_on=one.expires_on)
            group = find_group(search, [reading], look_alikes, item=one.item).group
            if group is not None:
                counts = by_unit.setdefault(one.unit, [0, 0])
                counts[group == "unknown"] += one.pieces
        for unit, (counted, unknown) in by_unit.items():
            before = found.get(unit, NO_DEVICE)
            found[unit] = DeviceCount(max(before.counted, counted), max(before.unknown, unknown))
    return found


def _unit_count(store: UnitStore, unit: str, count: DeviceCount) -> UnitCount:
    return UnitCount(
        unit=unit,
        name=unit_name(store, unit),
        counted=count.counted,
        unknown=count.unknown,
    )
