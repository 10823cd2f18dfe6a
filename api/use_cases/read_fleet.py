"""The fleet of a network: each unit and its devices, the longest silent first (DM-01, HAZ-35)."""

from collections.abc import Mapping

import msgspec

from api.registry.suppress_small import suppress_parts
from api.storage.unit_store import UnitStore
from api.use_cases.list_devices import DeviceRow, Silence, judge_silence, list_all_devices
from api.use_cases.standing_report import (
    PROTOCOL,
    StandingDevice,
    StandingReport,
    read_standing,
)

UNIT_ROLE = "unit"


class FleetDevice(msgspec.Struct, frozen=True, kw_only=True):
    """One device of a unit, by a pseudonym, as the unit last told it.

    ``silent_ms`` is what the unit told and the time since; ``protocol``, ``unsent`` and ``build``
    are null, null and "" where the device does not tell them.
    """

    device: str
    role: str
    last_contact_ms: int | None
    silent_ms: int
    silence: Silence
    build: str
    protocol: int | None
    unsent: int | None
    clock_offset_ms: int | None
    storage: str


class FleetUnit(msgspec.Struct, frozen=True, kw_only=True):
    """One unit.

    Parameters
    ----------
    silence : str
        Of the unit's server towards the hub.
    reported_ms : int or None
        When its last standing report came, by the hub's clock; None where none has.
    row_age_ms : int or None
        How old what is told of its devices is.
    protocol : str
        Version of the exchange that it speaks (EX24), "" where it told none.
    cases : int or None
        How many it has told of; None where it has told nothing, or they are too few to be told.
    """

    unit: str
    name: str
    is_waiting: bool
    joined_ms: int
    last_contact_ms: int | None
    silent_ms: int
    silence: Silence
    reported_ms: int | None
    row_age_ms: int | None
    build: str
    protocol: str
    catalogue: int | None
    rule_files: dict[str, int]
    unsent: int | None
    oldest_unsent_ms: int | None
    clock_offset_ms: int | None
    cases: int | None
    devices: list[FleetDevice]


class Fleet(msgspec.Struct, frozen=True):
    """Every unit that joined and was not revoked, the longest silent first.

    ``protocol`` is the version of the exchange that this hub speaks (EX24).
    """

    as_of_ms: int
    units: list[FleetUnit]
    protocol: str


def read_fleet(store: UnitStore, *, now_ms: int) -> Fleet:
    """Return the units of the hub and their devices.

    Notes
    -----
    A device that is silent in a unit that is heard of makes its unit stand before those in which
    all is well: sites and devices share one order (HAZ-35).
    """
    with store.reading():
        kept = {one.unit: one for one in store.standings.latest()}
    reports = {
        unit: (one.noted_ms, report)
        for unit, one in kept.items()
        if (report := read_standing(one)) is not None
    }
    rows = [row for row in list_all_devices(store, now_ms=now_ms).devices if row.role == UNIT_ROLE]
    cases = tell_cases({row.id: reports[row.id][1] for row in rows if row.id in reports})
    units = [_unit(row, reports, cases, now_ms) for row in rows]
    return Fleet(now_ms, sorted(units, key=_longest_silence), PROTOCOL)


def tell_cases(reports: Mapping[str, StandingReport]) -> dict[str, int | None]:
    """Return how many cases each unit tells of, None where that may not be told (HAZ-49).

    Of all units, whichever is asked for: with the sum, that the outcomes tell, one small number
    alone would be found.
    """
    return suppress_parts({unit: report.cases for unit, report in reports.items()})


def unit_names(store: UnitStore, *, now_ms: int) -> dict[str, str]:
    """Return the name of each unit by its device id."""
    rows = list_all_devices(store, now_ms=now_ms).devices
    return {row.id: row.name for row in rows if row.role == UNIT_ROLE}


def _longest_silence(unit: FleetUnit) -> tuple[int, str]:
    return -max([unit.silent_ms, *(one.silent_ms for one in unit.devices)]), unit.unit


def _unit(
    row: DeviceRow,
    reports: Mapping[str, tuple[int, StandingReport]],
    cases: Mapping[str, int | None],
    now_ms: int,
) -> FleetUnit:
    noted_ms, report = reports.get(row.id, (None, None))
    age_ms = None if noted_ms is None else max(0, now_ms - noted_ms)
    devices = [_device(one, report, age_ms or 0) for one in (report.devices if report else ())]
    return FleetUnit(
        unit=row.id,
        name=row.name,
        is_waiting=row.is_waiting,
        joined_ms=row.joined_ms,
        last_contact_ms=row.last_contact_ms,
        silent_ms=row.silent_ms,
        silence=row.silence,
        reported_ms=noted_ms,
        row_age_ms=age_ms,
        build=report.build if report else "",
        protocol=_version_told(report.protocol) if report else "",
        catalogue=report.catalogue if report else None,
        rule_files=dict(report.rule_files) if report else {},
        unsent=report.unsent if report else None,
        oldest_unsent_ms=report.oldest_unsent_ms if report else None,
        clock_offset_ms=row.clock_offset_ms,
        cases=cases.get(row.id),
        devices=sorted(devices, key=lambda one: (-one.silent_ms, one.device)),
    )


def _version_told(protocol: str) -> str:
    """Return a version of the exchange; "" of a release before it had one, which told a word."""
    return protocol if protocol.isdecimal() else ""


def _device(one: StandingDevice, report: StandingReport | None, age_ms: int) -> FleetDevice:
    at_ms = report.at_ms if report else 0
    # Both by the clock of the unit; what has passed since, nobody told, counts as silence.
    here_ms = one.last_contact_ms if one.last_contact_ms is not None else one.joined_ms
    silent_ms = max(0, at_ms - here_ms) + age_ms
    return FleetDevice(
        device=one.device,
        role=one.role,
        last_contact_ms=one.last_contact_ms,
        silent_ms=silent_ms,
        silence=judge_silence(silent_ms),
        build=one.build,
        protocol=one.protocol,
        unsent=one.unsent,
        clock_offset_ms=one.clock_offset_ms,
        storage=one.storage,
    )
