"""At a unit: what the hub was told of a recall follows what the unit's record holds since.

A tablet may come in weeks after a notice was closed, with a case of its lot. So after each exchange
the unit counts again for every notice in force that it has answered. Nobody reads a name in doing
so: no search is kept, and the answer holds counts alone (SEC-24).
"""

from collections.abc import Callable

from api.storage.unit_store import UnitStore
from api.use_cases.answer_recalls import write_answer
from api.use_cases.errors import CalculationError
from api.use_cases.find_lots import LotSearch, look_for
from api.use_cases.found_here import count_found, counts_apart, counts_of, rows_of
from api.use_cases.implant_owners import FoundImplant
from api.use_cases.list_network_recalls import ANSWER_KIND, ANSWERED, NOT_HEEDED
from api.use_cases.name_answers import name_answer
from api.use_cases.network_search import read_network_search
from api.use_cases.recalls import (
    OnShelf,
    find_on_shelf,
    is_withdrawn,
    list_network_notices,
    searches_of,
)
from api.use_cases.registry_log import registry_device
from api.use_cases.server_log import Chance
from api.use_cases.take_in_recalls import is_withdrawn_here
from api.use_cases.touched_devices import digest_touched, is_more_touched
from sync.merge import RecordState


def renew_answers(store: UnitStore, *, on: str, draw_chance: Callable[[], Chance]) -> int:
    """Tell the hub anew what a notice touches, where that is no longer what it was told.

    A notice that touches anything that was not there when it was answered stands as ``searched``
    again: the unit has to look and to close it anew, also where the counts are the same, since
    another patient may have taken the place of the one who was called. Where less is found, the
    counts follow and the notice stays as it was. A notice that people of the unit withdrew for
    themselves is told as ``not-heeded``, until they let it be heeded again.

    Returns
    -------
    int
        How many answers were written; the second time none.
    """
    with store.transaction():
        notices = [one for one in list_network_notices(store) if not is_withdrawn(one)]
    written = 0
    for notice in notices:
        # A tablet waits for one search, not for all of them.
        with store.transaction():
            written += _renew(store, notice, on=on, draw_chance=draw_chance)
    return written


def _renew(
    store: UnitStore, notice: RecordState, *, on: str, draw_chance: Callable[[], Chance]
) -> int:
    answer = store.views.state_of(name_answer(ANSWER_KIND, registry_device(store), notice.record))
    if answer is not None and answer.is_entered_in_error:
        return 0
    held = answer.fields.items() if answer is not None else ()
    told = {name: one.values[-1].value for name, one in held}
    said = told.get("state")
    is_heeded = not is_withdrawn_here(store, notice.record)
    if is_heeded and said not in ANSWERED:
        return 0
    rows, shelf, is_searched = _search_here(store, notice, on)
    if is_heeded and not is_searched and said != NOT_HEEDED:
        return 0
    found = count_found(rows, shelf) if is_searched else None
    touched = digest_touched(rows, shelf)
    is_more = is_more_touched(store, notice.record, touched)
    state = str(said)
    if not is_heeded:
        state = NOT_HEEDED
    elif said == NOT_HEEDED or said == "acknowledged" or is_more:
        state = "searched" if is_searched else "acknowledged"
    counts = {**counts_of(found), **counts_apart(found)} if found else {}
    if state == said and all(told.get(name) == count for name, count in counts.items()):
        return 0
    write_answer(store, notice.record, state, found, touched, draw_chance=draw_chance)
    return 1


def _search_here(
    store: UnitStore, notice: RecordState, on: str
) -> tuple[list[FoundImplant], list[OnShelf], bool]:
    """Return what a notice touches now, and whether anybody can search by it."""
    found: list[LotSearch] = []
    shelf: list[OnShelf] = []
    for content in searches_of(notice):
        try:
            search = read_network_search(content)
            found.append(look_for(store, search, on=on))
            shelf += find_on_shelf(store, search, on=on)
        except CalculationError:
            # Whoever opens the list is told why; what was answered stays until then.
            continue
    return rows_of(found), shelf, bool(found)
