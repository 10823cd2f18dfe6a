"""At the hub: recalls of the network as people read them, with how each unit stands."""

from typing import Literal

import msgspec

from api.clinical_rules.implant_search import Search
from api.documents.csv_text import write_csv
from api.storage.access_log import DAY_MS
from api.storage.unit_store import UnitStore
from api.use_cases.answer_counts import APART, read_answer_counts
from api.use_cases.count_recalled import NO_DEVICE, DeviceCount, count_devices
from api.use_cases.errors import CalculationError
from api.use_cases.find_lots import read_search
from api.use_cases.link_history import staff_name
from api.use_cases.network_recalls import find_notice
from api.use_cases.network_units import name_units, unit_name
from api.use_cases.recalls import (
    NETWORK_NOTICE,
    WITHDRAWN,
    is_withdrawn,
    readers_of,
    searches_of,
)
from api.use_cases.record_values import parts_of, text_of
from sync.clock import read_stamp
from sync.merge import RecordState, shown_value
from sync.operation import decode_body

AnswerState = Literal["none", "acknowledged", "searched", "closed", "not-heeded"]
ANSWER_KIND = "registry_recall_answer"
NOT_HEEDED: AnswerState = "not-heeded"
ANSWERED: tuple[AnswerState, ...] = ("acknowledged", "searched", "closed", NOT_HEEDED)
NOT_TOLD_APART = "not told apart"
HEADER = (
    *("unit", "name", "exact", "near", "unknown", "answer"),
    *("found_cases", "exact_cases", "near_cases"),
    *("found_patients", "exact_patients", "near_patients"),
    *("unknown_lots", "on_shelf", "waiting_days"),
)


class UnitStanding(msgspec.Struct, frozen=True, kw_only=True):
    """How one unit stands towards a notice.

    Parameters
    ----------
    exact, near, unknown : int
        Devices that it reported to the hub: named by the notice, look-alike or near, of unknown
        lot.
    answer : str
        ``none`` until it says; ``not-heeded`` where people there took the notice out of force.
    found_cases, found_patients, unknown_lots, on_shelf : int or None
        What it found in its own record and on its own shelf; None until it says.
    exact_cases, near_cases, exact_patients, near_patients : int or None
        Of what it found, how many with the very device that is named and how many with one near to
        it alone; None where its answer does not tell them apart (NL11).
    waiting_days : int
        Whole days from the notice until the unit took note of it, or until today.
    is_behind : bool
        It reported more cases than it answered with: it has to look again, also where it has
        closed the notice.
    """

    unit: str
    name: str
    exact: int
    near: int
    unknown: int
    answer: AnswerState
    found_cases: int | None
    exact_cases: int | None
    near_cases: int | None
    found_patients: int | None
    exact_patients: int | None
    near_patients: int | None
    unknown_lots: int | None
    on_shelf: int | None
    answered_ms: int | None
    waiting_days: int
    is_behind: bool


class Criteria(msgspec.Struct, frozen=True, kw_only=True):
    """What a notice names; "" and none narrow nothing."""

    identifier: str = ""
    lots: tuple[str, ...] = ()
    expires_from: str = ""
    expires_to: str = ""


class NetworkNotice(msgspec.Struct, frozen=True, kw_only=True):
    """A recall of the network with the answers of its units."""

    notice: str
    state: str
    item: str
    criteria: Criteria
    reason: str
    issued_on: str
    written_by_name: str
    written_ms: int
    withdrawn_ms: int | None
    because: str
    units: list[UnitStanding]


def list_network_recalls(store: UnitStore, *, now_ms: int) -> list[NetworkNotice]:
    """Return every notice of the network, those in force first, the latest first."""
    with store.reading():
        states = [
            state for state in store.views.of_kind(NETWORK_NOTICE) if not state.is_entered_in_error
        ]
        notices = [_show(store, state, now_ms) for state in states]
    return sorted(notices, key=lambda one: (one.withdrawn_ms is not None, -one.written_ms))


def show_network_recall(store: UnitStore, notice: str, *, now_ms: int) -> NetworkNotice:
    """Return one notice with the answers of its units.

    Raises
    ------
    NotAllowedError
        There is no such notice.
    """
    with store.reading():
        return _show(store, find_notice(store, notice), now_ms)


def write_answers_csv(notice: NetworkNotice) -> str:
    """Return how each unit stands towards a notice, one row a unit."""
    rows = []
    for one in notice.units:
        held = msgspec.structs.asdict(one)
        if one.found_cases is not None and one.exact_cases is None:
            held |= dict.fromkeys(APART, NOT_TOLD_APART)
        rows.append(["" if held[name] is None else str(held[name]) for name in HEADER])
    return write_csv(HEADER, rows)


def _show(store: UnitStore, state: RecordState, now_ms: int) -> NetworkNotice:
    operations = [
        one for one in store.operations.of_record(state.record) if one.body_text is not None
    ]
    stamps = [stamp.wall_ms for one in operations if (stamp := read_stamp(one.stamp))]
    written_ms = min(stamps, default=0)
    held = state.fields.get("state")
    ended = held.values[-1] if held and is_withdrawn(state) else None
    ended_stamp = read_stamp(ended.stamp) if ended else None
    first = state.fields.get("reason")
    return NetworkNotice(
        notice=state.record,
        state=WITHDRAWN if ended else "in-force",
        item=text_of(state, "item"),
        criteria=read_criteria(state),
        reason=" or ".join(str(one.value) for one in first.values) if first else "",
        issued_on=text_of(state, "issued_on"),
        written_by_name=staff_name(store, first.values[0].by) if first else "",
        written_ms=written_ms,
        withdrawn_ms=ended_stamp.wall_ms if ended_stamp else None,
        because=_because(store, state) if ended else "",
        units=_answers(store, state, written_ms, ended_stamp.wall_ms if ended_stamp else now_ms),
    )


def read_criteria(state: RecordState) -> Criteria:
    """Return what a notice names, as it is shown."""
    return criteria_of(shown_value(state.fields.get("criteria")))


def criteria_of(value: object) -> Criteria:
    """Return what is named in a record's structure, as it is shown."""
    said = parts_of(value)
    lots = said.get("lots")
    return Criteria(
        identifier=str(said.get("identifier") or ""),
        lots=tuple(map(str, lots)) if isinstance(lots, list | tuple) else (),
        expires_from=str(said.get("expires_from") or ""),
        expires_to=str(said.get("expires_to") or ""),
    )


def _because(store: UnitStore, state: RecordState) -> str:
    operations = sorted(store.operations.of_record(state.record), key=lambda one: one.stamp)
    said = [decode_body(one.body_text).because for one in operations if one.body_text]
    return said[-1] if said else ""


def _answers(
    store: UnitStore, state: RecordState, written_ms: int, until_ms: int
) -> list[UnitStanding]:
    counts = count_devices(store, list(_searches(state)))
    answers = _answers_by_unit(store, state.record)
    named = readers_of(state)
    # A unit that has left may have the devices all the same.
    units = named or {*name_units(store), *counts, *answers}
    return [
        _answer(store, unit, counts.get(unit, NO_DEVICE), answers.get(unit), written_ms, until_ms)
        for unit in sorted(units, key=lambda one: (unit_name(store, one), one))
    ]


def _searches(state: RecordState) -> list[Search]:
    found = []
    for content in searches_of(state):
        try:
            found.append(read_search(content))
        except CalculationError:
            # What cannot be searched by counts nothing here; each unit is told so.
            continue
    return found


def _answers_by_unit(store: UnitStore, notice: str) -> dict[str, RecordState]:
    found: dict[str, RecordState] = {}
    for record in store.links.children_of(notice, ANSWER_KIND):
        state = store.views.state_of(record)
        if state is not None and state.heads and not state.is_entered_in_error:
            found[state.heads[0].split(".", 1)[0]] = state
    return found


def _answer(
    store: UnitStore,
    unit: str,
    count: DeviceCount,
    state: RecordState | None,
    written_ms: int,
    until_ms: int,
) -> UnitStanding:
    said = (
        {name: held.values[-1].value for name, held in state.fields.items()}
        if state is not None
        else {}
    )
    answer: AnswerState = next((one for one in ANSWERED if one == said.get("state")), "none")
    first_ms, last_ms = _times(store, state)
    end_ms = until_ms if answer == "none" or first_ms is None else first_ms
    numbers = read_answer_counts(state)
    return UnitStanding(
        unit=unit,
        name=unit_name(store, unit),
        exact=count.exact,
        near=count.near,
        unknown=count.unknown,
        answer=answer,
        answered_ms=last_ms,
        waiting_days=max(0, end_ms - written_ms) // DAY_MS,
        is_behind=answer != "none" and count.cases > (numbers["found_cases"] or 0),
        **numbers,
    )


def _times(store: UnitStore, state: RecordState | None) -> tuple[int | None, int | None]:
    """Return when a unit answered first and last; None where it has not."""
    if state is None:
        return None, None
    stamps = [
        stamp.wall_ms
        for one in store.operations.of_record(state.record)
        if (stamp := read_stamp(one.stamp))
    ]
    return min(stamps, default=None), max(stamps, default=None)
