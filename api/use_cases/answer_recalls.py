"""At a unit: recalls that the hub of its network sent, searched in its own record, and answered.

A search shows names to people of the unit and is kept as every search is; the answer to the hub
holds counts alone (SEC-24).
"""

import datetime
import hashlib
from collections.abc import Callable, Iterable, Mapping
from typing import Literal

import msgspec

from api.storage.unit_store import UnitStore
from api.use_cases.errors import CalculationError, NotAllowedError
from api.use_cases.find_lots import LotSearch, find_lots
from api.use_cases.found_here import FoundHere, count_found, counts_apart, counts_of, rows_of
from api.use_cases.implant_owners import FoundImplant
from api.use_cases.list_network_recalls import (
    ANSWER_KIND,
    ANSWERED,
    NOT_HEEDED,
    Criteria,
    read_criteria,
)
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
from api.use_cases.server_log import Chance, ServerDraft, write_all_as_server
from api.use_cases.take_in_recalls import heed_again, is_withdrawn_here
from api.use_cases.touched_devices import Digests, digest_touched, keep_touched, name_touched
from sync.clock import read_stamp
from sync.merge import RecordState

NoticeAct = Literal["acknowledge", "close", "heed"]
_ENTRY_DIGITS = 20


class NoticeHere(msgspec.Struct, frozen=True, kw_only=True):
    """A notice of the network as a unit sees it.

    Parameters
    ----------
    answer : str
        ``none``, ``acknowledged``, ``searched``, ``closed`` or ``not-heeded``: what the hub was
        told.
    is_withdrawn_here : bool
        People of the unit took it out of force here: no tablet heeds it (NL7).
    sentence : str
        Why nobody can search by it, "" where that is possible.
    found : FoundHere or None
        None where nobody can search by it, and of a notice that was withdrawn.
    rows : list of FoundImplant
        Whom it touches, those of unknown lot apart by their group.
    seen : str
        A digest of all that it touches: whoever closes it says by it what stood before them.
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
    is_withdrawn_here: bool
    sentence: str
    found: FoundHere | None
    rows: list[FoundImplant]
    shelf: list[OnShelf]
    seen: str


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
    seen_before: str = "",
) -> NoticeHere:
    """Search by a notice and tell the hub how many are touched; return the notice as it stands.

    The answer is ``searched``, or ``acknowledged`` where nobody can search by the notice, or
    ``closed`` once the unit has dealt with it. ``heed`` puts the unit's own copy in force again;
    until then the answer is ``not-heeded``.

    Parameters
    ----------
    seen_before : str
        What stood before whoever closes it, as `NoticeHere.seen` says; "" for a command.

    Raises
    ------
    NotAllowedError
        There is no such notice in force for this unit; it is closed before anybody acknowledged
        it, while no tablet heeds it, or while it touches what nobody has seen, or heeded again
        while they do. Nothing is written.
    """
    with store.transaction():
        states = {one.record: one for one in list_network_notices(store)}
        if notice not in states or is_withdrawn(states[notice]):
            message = f"{notice[:60]!r} is no notice in force here. Look at the list again."
            raise NotAllowedError(message)
        state = states[notice]
        if act == "heed":
            heed_again(store, state, by=by, chance=draw_chance())
        elif act == "close" and is_withdrawn_here(store, notice):
            raise NotAllowedError(
                "This unit has withdrawn the notice, so that no tablet heeds it. Let it be heeded "
                "again before you close it."
            )
        seen = _look(store, state, on=on, by=by, draw_chance=draw_chance)
        if act == "close" and seen.answer in ("none", NOT_HEEDED):
            raise NotAllowedError(
                "Nobody here has acknowledged this notice yet. Acknowledge it, look at what it "
                "touches, and close it then."
            )
        said = "searched" if seen.found else "acknowledged"
        if act == "close":
            said = "closed"
        elif seen.is_withdrawn_here:
            said = NOT_HEEDED
        touched = digest_touched(seen.rows, seen.shelf)
        if act == "close" and seen_before not in ("", seen.seen):
            raise NotAllowedError(
                "What the notice touches has changed since it was shown. Look at the list again "
                "before you close it."
            )
        write_answer(store, notice, said, seen.found, touched, draw_chance=draw_chance)
        return _with_answer(store, seen)


def write_answer(
    store: UnitStore,
    notice: str,
    said: str,
    found: FoundHere | None,
    touched: Digests,
    *,
    draw_chance: Callable[[], Chance],
) -> None:
    """Write down what the hub is told of a notice, and keep what it touches; in a transaction.

    Exact and near finds apart are an entry of their own: a hub of an older release sets aside an
    entry with a field that it does not know, and would have no answer at all (NL11).
    """
    keep_touched(store, notice, touched)
    chance = draw_chance()
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

    def draft(some: Mapping[str, object]) -> ServerDraft:
        shown = held.fields if held is not None else {}
        over = {name: shown[name].references for name in some if name in shown}
        return ServerDraft(record=record, fields=some, over=over)

    # Each names the notice: by it the hub knows that the record is this unit's answer (RG14).
    apart = [{"notice": notice, **counts_apart(found)}] if found else []
    drafts = [draft(some) for some in (fields, *apart)]
    chances = iter((chance, *(draw_chance() for _ in drafts[1:])))
    # Who of the unit answered stands in its own trail of access and does not leave.
    write_all_as_server(store, drafts, by=unit, because="", draw_chance=lambda: next(chances))


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
        is_withdrawn_here=is_withdrawn_here(store, state.record),
        sentence=sentence,
        found=count_found(rows, shelf) if found else None,
        rows=rows,
        shelf=shelf,
        seen=name_touched(digest_touched(rows, shelf)),
    )
    return _with_answer(store, seen)


def _writings(state: RecordState) -> Iterable[str]:
    return (one.stamp for field in state.fields.values() for one in field.values)


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
