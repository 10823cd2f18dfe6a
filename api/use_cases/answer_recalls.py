"""At a unit: recalls that the hub of its network sent, searched in its own record, and answered.

A search shows names to people of the unit and is kept as every search is; the answer to the hub
holds counts alone (SEC-24).
"""

import datetime
import hashlib
from collections.abc import Callable, Iterable
from typing import Literal

import msgspec

from api.storage.unit_store import UnitStore
from api.use_cases.errors import CalculationError, NotAllowedError
from api.use_cases.find_lots import RETURNED, LotSearch, find_lots
from api.use_cases.implant_owners import FoundImplant
from api.use_cases.list_network_recalls import ANSWER_KIND, ANSWERED, Criteria, read_criteria
from api.use_cases.name_answers import name_answer
from api.use_cases.network_search import read_network_search
from api.use_cases.recalls import (
    WITHDRAWN,
    OnShelf,
    find_on_shelf,
    is_withdrawn,
    list_network_notices,
    searches_of,
)
from api.use_cases.record_values import text_of
from api.use_cases.registry_log import registry_device
from api.use_cases.server_log import Chance, write_as_server
from sync.clock import read_stamp
from sync.merge import RecordState

NoticeAct = Literal["acknowledge", "close"]
_ENTRY_DIGITS = 20


class FoundHere(msgspec.Struct, frozen=True, kw_only=True):
    """What a notice touches here.

    Parameters
    ----------
    cases, patients : int
        With a device that the notice names, looks like or is near to: all to be looked at.
    surely : int
        Patients with the very one that it names.
    unknown_lots : int
        Devices of whose lot nobody knows.
    """

    cases: int
    patients: int
    surely: int
    unknown_lots: int
    on_shelf: int


class NoticeHere(msgspec.Struct, frozen=True, kw_only=True):
    """A notice of the network as a unit sees it.

    Parameters
    ----------
    answer : str
        ``none``, ``acknowledged``, ``searched`` or ``closed``: what the hub was told.
    sentence : str
        Why nobody can search by it, "" where that is possible.
    found : FoundHere or None
        None where nobody can search by it, and of a notice that was withdrawn.
    rows : list of FoundImplant
        Whom it touches, those of unknown lot apart by their group.
    """

    notice: str
    state: str
    item: str
    criteria: Criteria
    reason: str
    issued_on: str
    came_ms: int
    answer: str
    answered_ms: int | None
    sentence: str
    found: FoundHere | None
    rows: list[FoundImplant]
    shelf: list[OnShelf]


def list_notices_here(
    store: UnitStore, *, on: str, by: str, draw_chance: Callable[[], Chance]
) -> list[NoticeHere]:
    """Return the notices of the network for this unit, the latest first.

    Each that is in force is searched by, and the search is kept: once a day for each person.

    Parameters
    ----------
    by : str
        Who searches, ``staff/<id>``.
    """
    with store.transaction():
        states = list_network_notices(store)
    notices = []
    for state in states:
        # A tablet waits for one search, not for all of them.
        with store.transaction():
            notices.append(_look(store, state, on=on, by=by, draw_chance=draw_chance))
    return sorted(notices, key=lambda one: (one.state == WITHDRAWN, -one.came_ms))


def answer_notice(
    store: UnitStore,
    notice: str,
    act: NoticeAct,
    *,
    on: str,
    by: str,
    draw_chance: Callable[[], Chance],
) -> NoticeHere:
    """Search by a notice and tell the hub how many are touched; return the notice as it stands.

    The answer is ``searched``, or ``acknowledged`` where nobody can search by the notice, or
    ``closed`` once the unit has dealt with it.

    Raises
    ------
    NotAllowedError
        There is no such notice in force for this unit. Nothing is written.
    """
    with store.transaction():
        states = {one.record: one for one in list_network_notices(store)}
        if notice not in states or is_withdrawn(states[notice]):
            message = f"{notice[:60]!r} is no notice in force here. Look at the list again."
            raise NotAllowedError(message)
        state = states[notice]
        seen = _look(store, state, on=on, by=by, draw_chance=draw_chance)
        said = "closed" if act == "close" else "searched" if seen.found else "acknowledged"
        write_answer(store, notice, said, seen.found, chance=draw_chance())
        return _with_answer(store, seen)


def write_answer(
    store: UnitStore, notice: str, said: str, found: FoundHere | None, *, chance: Chance
) -> None:
    """Write down what the hub is told of a notice; inside a transaction."""
    at = datetime.datetime.fromtimestamp(chance.now_ms / 1_000, datetime.UTC)
    unit = registry_device(store)
    fields = {
        "unit": unit,
        "notice": notice,
        "state": said,
        "answered_at": at.isoformat(timespec="seconds"),
        **(counts_of(found) if found else {}),
    }
    record = name_answer(ANSWER_KIND, unit, notice)
    held = store.views.state_of(record)
    over = {
        name: held.fields[name].references
        for name in fields
        if held is not None and name in held.fields
    }
    # Who of the unit answered stands in its own trail of access and does not leave.
    write_as_server(store, record, fields, by=unit, because="", chance=chance, over=over)


def _look(
    store: UnitStore, state: RecordState, *, on: str, by: str, draw_chance: Callable[[], Chance]
) -> NoticeHere:
    found: list[LotSearch] = []
    shelf: list[OnShelf] = []
    sentence = ""
    if not is_withdrawn(state):
        for place, content in enumerate(searches_of(state)):
            try:
                search = read_network_search(content)
            except CalculationError as error:
                sentence = str(error)
                continue
            entry = hashlib.sha256(f"{state.record}\n{place}\n{by}\n{on}".encode()).hexdigest()
            found.append(
                find_lots(
                    store,
                    search,
                    on=on,
                    by=by,
                    because=f"recall of the network {state.record}",
                    chance=draw_chance(),
                    entry=f"lot_search/n{entry[:_ENTRY_DIGITS]}",
                )
            )
            shelf += find_on_shelf(store, search, on=on)
    rows = rows_of(found)
    stamps = [stamp.wall_ms for one in _writings(state) if (stamp := read_stamp(one))]
    seen = NoticeHere(
        notice=state.record,
        state=WITHDRAWN if is_withdrawn(state) else "in-force",
        item=text_of(state, "item"),
        criteria=read_criteria(state),
        reason=text_of(state, "reason"),
        issued_on=text_of(state, "issued_on"),
        came_ms=min(stamps, default=0),
        answer="none",
        answered_ms=None,
        sentence=sentence,
        found=count_found(rows, shelf) if found else None,
        rows=rows,
        shelf=shelf,
    )
    return _with_answer(store, seen)


def _writings(state: RecordState) -> Iterable[str]:
    return (one.stamp for field in state.fields.values() for one in field.values)


def rows_of(found: Iterable[LotSearch]) -> list[FoundImplant]:
    """Return what several searches of one notice found, each device of each owner once."""
    rows = (one for some in found for one in some.implants)
    return list({(one.record, one.case, one.patient): one for one in rows}.values())


def count_found(rows: Iterable[FoundImplant], shelf: Iterable[OnShelf]) -> FoundHere:
    """Return in numbers what was found; what was returned unused touches nobody."""
    borne = [one for one in rows if one.fate != RETURNED]
    touched = [one for one in borne if one.group != "unknown"]

    def patients(some: Iterable[FoundImplant]) -> int:
        # Who has no patient is somebody all the same.
        return len({one.patient or one.case or one.record for one in some})

    return FoundHere(
        cases=len({one.case or one.record for one in touched}),
        patients=patients(touched),
        surely=patients(one for one in touched if one.group == "same"),
        unknown_lots=len({one.record for one in borne if one.group == "unknown"}),
        on_shelf=sum(max(one.count, 0) for one in shelf),
    )


def counts_of(found: FoundHere) -> dict[str, int]:
    """Return the counts that an answer to the hub holds, by field."""
    return {
        "found_cases": found.cases,
        "found_patients": found.patients,
        "unknown_lots": found.unknown_lots,
        "on_shelf": found.on_shelf,
    }


def _with_answer(store: UnitStore, seen: NoticeHere) -> NoticeHere:
    record = name_answer(ANSWER_KIND, registry_device(store), seen.notice)
    state = store.views.state_of(record)
    held = state.fields.get("state") if state is not None else None
    if held is None:
        return seen
    said, stamp = held.values[-1].value, read_stamp(held.values[-1].stamp)
    return msgspec.structs.replace(
        seen,
        answer=said if said in ANSWERED else "none",
        answered_ms=stamp.wall_ms if stamp else None,
    )
