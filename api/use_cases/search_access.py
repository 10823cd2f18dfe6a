"""Search the access log: who had whose record, on which device, from one day to another."""

import datetime
from collections.abc import Iterable
from zoneinfo import ZoneInfo

import msgspec

from api.clinical_rules.civil_date import is_civil_date
from api.storage.access_log import AccessLine
from api.storage.unit_store import UnitStore
from api.use_cases.errors import CalculationError
from sync.merge import shown_value

MOST_FOUND = 1_000


class AccessSearch(msgspec.Struct, frozen=True, kw_only=True):
    """What is looked for; what is left out narrows nothing. Days are those of the unit's zone.

    A day finds what happened on it by the clock of whoever told it, and what was noted on it here:
    no device hides a line by a clock that is wrong.
    """

    patient: str = ""
    person: str = ""
    device: str = ""
    from_on: str = ""
    to_on: str = ""


class FoundAccess(msgspec.Struct, frozen=True):
    """Events, the newest first, and whether there are more than are shown."""

    events: tuple[AccessLine, ...]
    names: dict[str, str]
    more: bool


def search_access(
    store: UnitStore, search: AccessSearch, *, zone: str, most: int = MOST_FOUND
) -> FoundAccess:
    """Return the events that a search finds, and the names of staff and devices among them.

    Parameters
    ----------
    zone : str
        IANA name of the zone in which the days are counted.
    most : int, 1-1000
        How many to show.

    Raises
    ------
    CalculationError
        A day is none of the calendar.
    """
    begins = _first_ms(search.from_on, zone, 0) if search.from_on else 0
    ends = _first_ms(search.to_on, zone, 1) if search.to_on else 2**63
    most = max(1, min(most, MOST_FOUND))
    with store.transaction():
        wanted = set(records_about(store, search.patient)) if search.patient else set()
        found: list[AccessLine] = []
        for line in store.access.lines(newest_first=True):
            if not (begins <= line.at_ms < ends or begins <= line.noted_ms < ends):
                continue
            if wanted and wanted.isdisjoint(line.records):
                continue
            if search.person and search.person != line.who:
                continue
            if search.device and search.device not in (line.device, line.who):
                continue
            found.append(line)
            if len(found) > most:
                break
        names = _names_of(store, {line.who for line in found[:most]})
    return FoundAccess(tuple(found[:most]), names, more=len(found) > most)


def records_about(store: UnitStore, patient: str) -> list[str]:
    """Return a record and all that lie under it, itself first; inside a transaction."""
    return [patient, *(name for name in store.erasures.tree_of([patient]) if name != patient)]


def _first_ms(day: str, zone: str, later: int) -> int:
    if not is_civil_date(day):
        message = f"{day[:20]!r} is no day. Write it as 2026-03-01."
        raise CalculationError(message)
    date = datetime.date.fromisoformat(day) + datetime.timedelta(days=later)
    midnight = datetime.datetime.combine(date, datetime.time(), ZoneInfo(zone))
    return int(midnight.timestamp() * 1_000)


def _names_of(store: UnitStore, askers: Iterable[str]) -> dict[str, str]:
    names = {}
    for asker in sorted(askers):
        if asker.startswith("staff/"):
            state = store.views.state_of(asker)
            name = shown_value(state.fields.get("name")) if state else None
        else:
            # At a hub a unit asks as a device: by its id alone nobody knows which one.
            device = store.devices.find(asker)
            name = device.name if device is not None else None
        if isinstance(name, str) and name not in ("", asker):
            names[asker] = name
    return names
