"""Search the access log: who had whose record, on which device, from one day to another."""

import datetime
from collections.abc import Iterable
from zoneinfo import ZoneInfo

import msgspec

from api.clinical_rules.civil_date import is_civil_date
from api.storage.access_log import AccessLine
from api.storage.unit_store import UnitStore
from api.use_cases.errors import CalculationError
from api.use_cases.wide_accesses import WideAccess, sum_up, want_accesses
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
    """Events, the newest first, and whether there are more than are shown.

    ``may_have_held`` are those that name nobody and may have held the record that is looked for:
    whole streams, exports and lists over many patients.
    """

    events: tuple[AccessLine, ...]
    names: dict[str, str]
    more: bool
    may_have_held: tuple[WideAccess, ...] = ()


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
    # At a hub a transaction holds up everybody who writes, and a search reads the whole trail.
    with store.reading():
        wanted = (
            want_accesses(store, records_about(store, search.patient)) if search.patient else None
        )
        found: list[AccessLine] = []
        wide: list[AccessLine] = []
        # Of a patient also those count who began to follow a stream on a day before.
        has_days = bool(search.from_on and search.to_on) and wanted is None
        lines = store.access.lines(
            newest_first=True,
            holding=_text_in_lines(search),
            within=(begins, ends) if has_days else None,
        )
        for line in lines:
            if search.person and search.person != line.who:
                continue
            if search.device and search.device not in (line.device, line.who):
                continue
            is_within = begins <= line.at_ms < ends or begins <= line.noted_ms < ends
            if wanted is not None and wanted.records.isdisjoint(line.records):
                # Who follows a stream since before the first day reads it on that day too.
                follows = line.object == "stream" and line.noted_ms < ends
                if (is_within or follows) and wanted.may_be_held(line):
                    wide.append(line)
            elif is_within:
                found.append(line)
                if wanted is None and len(found) > most:
                    break
        may_have = sum_up(wide)
        shown, shown_wide = tuple(found[:most]), may_have[:most]
        askers = {line.who for line in shown} | {one.who for one in shown_wide}
        names = _names_of(store, askers)
    more = len(found) > most or len(may_have) > most
    return FoundAccess(shown, names, more=more, may_have_held=shown_wide)


def _text_in_lines(search: AccessSearch) -> str:
    """Return what stands in the text of each line that the search can find, "" for nothing.

    What a line names besides is looked at once it is read: this only spares the reading of most.
    """
    if search.person:
        return f'"who":{msgspec.json.encode(search.person).decode()}'
    return msgspec.json.encode(search.device).decode() if search.device else ""


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
