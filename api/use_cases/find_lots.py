"""Find every patient with a lot: in groups, with those apart of whom nobody knows the lot (HAZ-46).

Every search is written into the log, with who searched and how many were found.
"""

import datetime
import re
from collections import Counter
from collections.abc import Iterable, Mapping
from itertools import product

import msgspec

from api.clinical_rules.errors import RuleFileError, ShapeError
from api.clinical_rules.implant_days import days_of
from api.clinical_rules.implant_search import (
    READ_SEARCH,
    Search,
    find_cautions,
    make_search,
)
from api.clinical_rules.label_readings import Reading
from api.clinical_rules.lot_names import LookAlikes, read_look_alikes, read_trace_file
from api.documents.csv_text import write_csv
from api.storage.device_store import Device
from api.storage.implant_rows import ImplantRow
from api.storage.unit_store import UnitStore
from api.use_cases.errors import CalculationError, NotAllowedError
from api.use_cases.implant_owners import FoundImplant, ImplantOwners, Judged, rank_of
from api.use_cases.server_log import Chance, write_as_server
from api.use_cases.stocked_identifiers import StockedIdentifiers
from api.use_cases.unit_settings import open_unit_book
from sync.merge import RecordState

RETURNED = "returned"
_ENTRY = re.compile(r"lot_search/[A-Za-z0-9-]{1,64}")
# Asked again within it, for the letters for one, it is the same search. From memory.
_ONE_SEARCH = datetime.timedelta(hours=24)
# In the order of the columns of the CSV.
HEADER = (
    *("group", "differs", "number", "name", "born_on", "what", "fate", "on_day", "site"),
    *("identifier", "lot", "serial", "expires_on", "case", "recorded_on", "record", "marks"),
)


class LotSearch(msgspec.Struct, frozen=True, kw_only=True):
    """What a search found.

    Parameters
    ----------
    found, unknown : int
        Patients with such a device, and further patients of the period of whom nobody knows;
        packages that went back unopened count for nobody.
    implants : list of FoundImplant
        By group, then by day, the latest first.
    """

    as_of_on: str
    found: int
    unknown: int
    implants: list[FoundImplant]
    cautions: list[str]
    csv: str


def read_search(content: object) -> Search:
    """Return a search from parsed JSON.

    Raises
    ------
    CalculationError
        A key or type is wrong, or nothing is searched for; the sentence says what to do.
    """
    try:
        return make_search(READ_SEARCH(content, "search"))
    except ShapeError as error:
        raise CalculationError(str(error)) from error


def find_lots(
    store: UnitStore,
    search: Search,
    *,
    on: str,
    by: str,
    because: str,
    chance: Chance,
    entry: str = "",
) -> LotSearch:
    """Return who has such a device, and write down that it was asked.

    Parameters
    ----------
    by : str
        The person who searches, ``staff/<id>``.
    entry : str
        The record by which a tablet keeps this same search, "" where none does. What the unit
        found is added to it, so that one search is one entry.

    Raises
    ------
    NotAllowedError
        Nobody says who searches, or why. Nothing is searched.
    CalculationError
        The look-alikes contradict each other.
    """
    if not by.startswith("staff/") or not because.strip():
        raise NotAllowedError("Say who searches (staff/<id>) and why: every search is kept.")
    with store.transaction():
        found = look_for(store, search, on=on)
        _keep(store, search, found, by=by, because=because.strip(), chance=chance, entry=entry)
    return found


def _keep(
    store: UnitStore,
    search: Search,
    found: LotSearch,
    *,
    by: str,
    because: str,
    chance: Chance,
    entry: str,
) -> None:
    """Write a search into its entry; into one of its own where the entry speaks of another."""
    now = datetime.datetime.fromtimestamp(chance.now_ms / 1_000, datetime.UTC)
    fields = {
        "criteria": criteria_of(search),
        "found": found.found,
        "unknown": found.unknown,
        "because": because,
        "at": now.isoformat(timespec="seconds"),
    }
    record = f"lot_search/{chance.new_id}"
    held = None
    if _ENTRY.fullmatch(entry):
        held = store.views.state_of(entry)
        is_same = held is None or _is_same_search(held, fields, by, now)
        record = entry if is_same else record
        held = held if is_same else None
    counts = ("found", "unknown") if held else fields
    drafted = {
        name: fields[name] for name in counts if not held or fields[name] not in _told(held, name)
    }
    if drafted:
        write_as_server(store, record, drafted, by=by, because="lot searched", chance=chance)


def _is_same_search(
    held: RecordState, fields: Mapping[str, object], by: str, now: datetime.datetime
) -> bool:
    """Say whether an entry is of this search: by the same person, for the same, within a day."""
    names = ("criteria", "because")
    is_said = all(fields[name] in _told(held, name) for name in names)
    writers = {one.by for state in held.fields.values() for one in state.values}
    return is_said and writers == {by} and any(_is_recent(at, now) for at in _told(held, "at"))


def _is_recent(at: object, now: datetime.datetime) -> bool:
    try:
        then = datetime.datetime.fromisoformat(str(at))
    except ValueError:
        return False
    return then.tzinfo is not None and abs(now - then) <= _ONE_SEARCH


def _told(state: RecordState, field: str) -> list[object]:
    held = state.fields.get(field)
    return [one.value for one in held.values] if held else []


def find_lots_for(
    store: UnitStore,
    device: Device,
    search: Search,
    *,
    on: str,
    by: str,
    because: str,
    chance: Chance,
    entry: str = "",
) -> LotSearch:
    """Return what was found to a device that reads care; `entry` as in `find_lots`.

    Raises
    ------
    NotAllowedError
        It reads none: who bears which implant is no business of booking (FU-11).
    """
    if "care" not in device.streams:
        raise NotAllowedError("Implants are for bedside devices. Ask one of those.")
    return find_lots(store, search, on=on, by=by, because=because, chance=chance, entry=entry)


def criteria_of(search: Search) -> dict[str, str]:
    """Return what was searched for, as the record keeps it: several lots parted by semicolons.

    The period is part of it: who reads it later sees of which days the unknown were listed.
    """
    held = {
        "identifier": search.identifier,
        "lot": "; ".join(search.lots),
        "serial": search.serial,
        "expires_from": search.expires_from,
        "expires_to": search.expires_to,
        "item": search.item,
        "from_on": search.from_on,
        "to_on": search.to_on,
    }
    return {name: value for name, value in held.items() if value}


def look_for(store: UnitStore, search: Search, *, on: str) -> LotSearch:
    """Return what a search finds; writes nothing, and runs inside a transaction."""
    look_alikes = _look_alikes(store, on)
    shelf = StockedIdentifiers.read(store) if search.identifier else StockedIdentifiers()
    searches = shelf.widen(search, look_alikes)
    items = shelf.items_of(searches, look_alikes)
    kinds = shelf.kinds_of(searches, look_alikes)
    readings: dict[str, list[ImplantRow]] = {}
    for one in searches:
        sifted: dict[str, list[ImplantRow]] = {}
        for row in store.implants.sift(one, look_alikes, of_items=items):
            sifted.setdefault(row.record, []).append(row)
        readings.update(sifted)
    judged = {
        record: found
        for record, of_record in readings.items()
        if (found := _judge(searches, of_record, shelf, kinds, look_alikes)) is not None
    }
    _drop_packages_told(judged, readings)
    rows = ImplantOwners(store).tell(judged, readings)
    return LotSearch(
        as_of_on=on,
        **_count(rows),
        implants=rows,
        cautions=find_cautions(search),
        csv=write_csv(HEADER, [_cells(one) for one in rows]),
    )


def _look_alikes(store: UnitStore, on: str) -> LookAlikes:
    try:
        return read_look_alikes(read_trace_file(open_unit_book(store, on=on)))
    except RuleFileError as error:
        raise CalculationError(str(error)) from error


def _judge(
    searches: list[Search],
    rows: list[ImplantRow],
    shelf: StockedIdentifiers,
    kinds: frozenset[str],
    look_alikes: LookAlikes,
) -> Judged | None:
    """Return the group of a record and the reading that fits best, None where it is not found."""
    found: list[Judged] = []
    for row in rows:
        reading = Reading(
            identifier=row.identifier, lot=row.lot, serial=row.serial, expires_on=row.expires_on
        )
        for search, day in product(searches, days_of(row.on_day, row.case_days)):
            finding = shelf.judge(
                search,
                [reading],
                look_alikes,
                stock=row.stock,
                kinds=kinds,
                item=row.item,
                on=day,
            )
            if finding.group is not None:
                found.append((finding, row))
    return min(found, key=lambda one: rank_of(one[0]), default=None)


def _drop_packages_told(
    judged: dict[str, Judged], readings: Mapping[str, list[ImplantRow]]
) -> None:
    """Leave out a package where the coil out of it, of the same case, is found at least as well."""

    def cases(record: str) -> set[str | None]:
        return {row.of_case for row in readings[record]}

    for finding, row in list(judged.values()):
        package = judged.get(row.package or "")
        if package is None or row.is_struck or rank_of(finding) > rank_of(package[0]):
            continue
        if cases(package[1].record) <= cases(row.record):
            del judged[package[1].record]


def _count(rows: Iterable[FoundImplant]) -> dict[str, int]:
    groups: dict[str, str] = {}
    for one in rows:
        # Who has no patient is somebody all the same.
        who = one.patient or one.case or one.record
        if one.fate != RETURNED:
            groups[who] = "found" if one.group != "unknown" else groups.get(who, "unknown")
    counts = Counter(groups.values())
    return {"found": counts["found"], "unknown": counts["unknown"]}


def _cells(one: FoundImplant) -> list[str]:
    named = msgspec.structs.asdict(one)
    held = {
        name: " ".join(value) if isinstance(value, tuple) else value
        for name, value in named.items()
    }
    return [str(held[column]) for column in HEADER]
