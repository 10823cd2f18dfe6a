"""Recall notices: written down, withdrawn, and who and what on the shelf each one touches."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import msgspec

from api.clinical_rules.civil_date import is_civil_date
from api.clinical_rules.implant_search import (
    GROUPS,
    Group,
    Search,
)
from api.clinical_rules.label_readings import Reading, read_devices
from api.clinical_rules.lot_names import plain_form, read_look_alikes, read_trace_file
from api.storage.unit_store import UnitStore
from api.use_cases.errors import CalculationError, NotAllowedError
from api.use_cases.find_lots import RETURNED, LotSearch, find_lots, read_search
from api.use_cases.record_values import parts_of, text_of
from api.use_cases.registry_log import registry_device
from api.use_cases.server_log import Chance, write_as_server
from api.use_cases.stocked_identifiers import StockedIdentifiers
from api.use_cases.unit_settings import open_unit_book
from sync.merge import RecordState, shown_value

IN_FORCE, WITHDRAWN = "in-force", "withdrawn"
NETWORK_NOTICE = "network_recall"


class OnShelf(msgspec.Struct, frozen=True, kw_only=True):
    """One lot on the shelf that a notice names; `count` is below 0 where more went than came."""

    stock: str
    name: str
    group: Group
    identifier: str
    lot: str
    expires_on: str
    count: int


class Touched(msgspec.Struct, frozen=True, kw_only=True):
    """A notice in force, whom it touches, and what of it is on the shelf.

    `found` is None where nobody can search by what it names; `sentence` says why.
    """

    notice: str
    reason: str
    issued_on: str
    sentence: str
    found: LotSearch | None
    shelf: list[OnShelf]


def add_recall(
    store: UnitStore,
    criteria: Mapping[str, Any],
    *,
    item: str | None,
    reason: str,
    issued_on: str,
    by: str,
    chance: Chance,
) -> str:
    """Write a notice down, in force from now on, and return its record.

    Parameters
    ----------
    criteria : mapping
        ``identifier``, ``lots``, ``expires_from``, ``expires_to``; what is left out narrows
        nothing.

    Raises
    ------
    CalculationError
        It names nothing to search by, or no day of the calendar.
    NotAllowedError
        Whoever writes it down does not work here. Nothing is written.
    """
    record = f"recall_notice/{chance.new_id}"
    fields = draft_notice(criteria, item=item, reason=reason, issued_on=issued_on)
    with store.transaction():
        _refuse_stranger(store, by)
        write_as_server(
            store, record, fields, by=by, because="recall notice entered", chance=chance
        )
    return record


def draft_notice(
    criteria: Mapping[str, Any], *, item: str | None, reason: str, issued_on: str
) -> dict[str, Any]:
    """Return the fields of a notice in force.

    Raises
    ------
    CalculationError
        As `add_recall`.
    """
    read_search({**criteria, **({"item": item} if item else {})})
    if not is_civil_date(issued_on):
        message = f"{issued_on[:20]!r} is no day. Give the day of the notice, such as 2026-03-01."
        raise CalculationError(message)
    if not reason.strip():
        raise CalculationError("Say why the devices are recalled, in the words of the notice.")
    return {
        **({"item": item} if item else {}),
        "criteria": dict(criteria),
        "reason": reason.strip(),
        "issued_on": issued_on,
        "state": IN_FORCE,
    }


def withdraw_recall(
    store: UnitStore, record: str, *, by: str, because: str, chance: Chance
) -> None:
    """Say that a notice is in force no longer; it stays in the record.

    Raises
    ------
    NotAllowedError
        There is no such notice, or whoever says so does not work here. Nothing is written.
    """
    with store.transaction():
        _refuse_stranger(store, by)
        state = store.views.state_of(record) if record.startswith("recall_notice/") else None
        if state is None or state.is_entered_in_error:
            message = f"{record[:48]!r} is no notice here. See those of: crura recall list."
            raise NotAllowedError(message)
        held = state.fields.get("state")
        write_as_server(
            store,
            record,
            {"state": WITHDRAWN},
            by=by,
            because=because.strip() or "notice withdrawn",
            chance=chance,
            over={"state": held.references} if held else None,
        )


def list_touched(
    store: UnitStore, *, on: str, by: str, draw_chance: Callable[[], Chance]
) -> list[Touched]:
    """Return every notice in force with whom and what it touches; each is a search that is kept.

    Notices of the network stand among those of the unit (`take_in_recalls`). Two answers about a
    notice withdraw none, and each of them is searched by.
    """
    found: list[Touched] = []
    with store.transaction():
        for state in store.views.of_kind("recall_notice"):
            if state.is_entered_in_error or is_withdrawn(state):
                continue
            found += [
                _touch(store, state, content, on=on, by=by, draw_chance=draw_chance)
                for content in searches_of(state)
            ]
    return found


def list_network_notices(store: UnitStore) -> list[RecordState]:
    """Return the notices of the hub that are for this unit; inside a transaction."""
    own = registry_device(store)
    return [
        state
        for state in store.views.of_kind(NETWORK_NOTICE)
        if not state.is_entered_in_error and own in (readers_of(state) or {own})
    ]


def readers_of(state: RecordState) -> set[str]:
    """Return the units that a notice of the hub names; none where it is for all."""
    lists = [one for one in _values(state, "to") if isinstance(one, list | tuple)]
    return {str(unit) for one in lists for unit in one}


def is_withdrawn(state: RecordState) -> bool:
    """Say whether every answer about a notice is that it is in force no longer."""
    return _values(state, "state") == [WITHDRAWN]


def _touch(
    store: UnitStore,
    state: RecordState,
    content: dict[str, Any],
    *,
    on: str,
    by: str,
    draw_chance: Callable[[], Chance],
) -> Touched:
    search: Search | None = None
    told: LotSearch | None = None
    sentence = ""
    try:
        search = read_search(content)
    except CalculationError as error:
        # Any device may have written anything: what cannot be searched by is told, not hidden.
        sentence = str(error)
    if search is not None:
        because = f"recall notice {state.record}"
        told = find_lots(store, search, on=on, by=by, because=because, chance=draw_chance())
    return Touched(
        notice=state.record,
        reason=" or ".join(str(one) for one in _values(state, "reason")),
        issued_on=" or ".join(str(one) for one in _values(state, "issued_on")),
        sentence=sentence,
        found=told,
        shelf=[] if search is None else find_on_shelf(store, search, on=on),
    )


def find_on_shelf(store: UnitStore, search: Search, *, on: str) -> list[OnShelf]:
    """Return what is on the shelf of what a search names, by lot; runs inside a transaction.

    What came and went, less the packages laid out for a case and not put back. An item is found
    by each identifier that it bears (LT11), also where a label was typed without one (LT16).
    """
    look_alikes = read_look_alikes(read_trace_file(open_unit_book(store, on=on)))
    bearing = StockedIdentifiers.read(store)
    searches = bearing.widen(search, look_alikes)
    kinds = bearing.kinds_of(searches, look_alikes)
    items = {state.record: state for state in store.views.of_kind("stock_item")}
    counts: dict[tuple[str, str], int] = {}
    labels: dict[tuple[str, str], tuple[Group, Reading]] = {}

    def judge(stock: str, readings: Sequence[Reading]) -> Group | None:
        state = items.get(stock)
        item = text_of(state, "item") if state else None
        groups = [
            bearing.judge(one, readings, look_alikes, stock=stock, kinds=kinds, item=item).group
            for one in searches
        ]
        found = [group for group in groups if group is not None]
        return min(found, key=GROUPS.index, default=None)

    for state in store.views.of_kind("stock_movement"):
        if state.is_entered_in_error:
            continue
        changes = [one for one in _values(state, "change") if isinstance(one, int)]
        devices = [parts_of(one) for one in _values(state, "device")]
        readings = read_devices(devices, on=None)
        for stock in (str(one) for one in _values(state, "stock")):
            group = judge(stock, readings)
            if group is not None:
                key = (stock, plain_form(readings[0].lot or ""))
                counts[key] = counts.get(key, 0) + sum(changes)
                labels.setdefault(key, (group, readings[0]))
    out = {
        row.record: (row.stock or "", plain_form(row.lot or ""))
        for one in searches
        for row in store.implants.sift(one, look_alikes)
        if row.kind == "package_opened" and not row.is_struck and row.fate != RETURNED
    }
    for key in out.values():
        if key in counts:
            counts[key] -= 1
    return [
        OnShelf(
            stock=stock,
            name=text_of(items[stock], "name") if stock in items else stock,
            group=labels[(stock, lot)][0],
            identifier=labels[(stock, lot)][1].identifier or "",
            lot=labels[(stock, lot)][1].lot or "",
            expires_on=labels[(stock, lot)][1].expires_on or "",
            count=count,
        )
        for (stock, lot), count in sorted(counts.items())
        if count != 0
    ]


def searches_of(state: RecordState) -> list[dict[str, Any]]:
    """Return what a notice names as content of a search, one for each answer that stands."""
    items = [one for one in _values(state, "item") if one] or [None]
    return [
        {**parts_of(criteria), **({"item": item} if item else {})}
        for criteria in _values(state, "criteria") or [{}]
        for item in items
    ]


def _values(state: RecordState, field: str) -> list[Any]:
    held = state.fields.get(field)
    return [one.value for one in held.values] if held else []


def _refuse_stranger(store: UnitStore, person: str) -> None:
    state = store.views.state_of(person) if person.startswith("staff/") else None
    is_active = state is not None and shown_value(state.fields.get("active")) is True
    if state is None or state.is_entered_in_error or not is_active:
        message = f"{person[:48]!r} does not work here. Name an active person: staff/<id>."
        raise NotAllowedError(message)
