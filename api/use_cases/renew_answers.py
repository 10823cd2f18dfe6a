"""At a unit: what the hub was told of a recall follows what the unit's record holds since.

A tablet may come in weeks after a notice was closed, with a case of its lot. So after each exchange
the unit counts again for every notice in force that it has answered. Nobody reads a name in doing
so: no search is kept, and the answer holds counts alone (SEC-24).
"""

from collections.abc import Callable

from api.storage.unit_store import UnitStore
from api.use_cases.answer_recalls import (
    FoundHere,
    count_found,
    counts_of,
    rows_of,
    write_answer,
)
from api.use_cases.errors import CalculationError
from api.use_cases.find_lots import look_for
from api.use_cases.list_network_recalls import ANSWER_KIND, ANSWERED
from api.use_cases.name_answers import name_answer
from api.use_cases.network_search import read_network_search
from api.use_cases.recalls import (
    find_on_shelf,
    is_withdrawn,
    list_network_notices,
    searches_of,
)
from api.use_cases.registry_log import registry_device
from api.use_cases.server_log import Chance
from sync.merge import RecordState


def renew_answers(store: UnitStore, *, on: str, draw_chance: Callable[[], Chance]) -> int:
    """Tell the hub anew what a notice touches, where that is no longer what it was told.

    A notice of which more is found than before stands as ``searched`` again: the unit has to look
    and to close it anew. Where less is found, the counts follow and the notice stays as it was.

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
    if answer is None or answer.is_entered_in_error:
        return 0
    told = {name: held.values[-1].value for name, held in answer.fields.items()}
    said = told.get("state")
    found = _count_here(store, notice, on) if said in ANSWERED else None
    if found is None:
        return 0
    counts = counts_of(found)
    before = {name: told.get(name) for name in counts}
    if counts == before:
        return 0
    is_more = any(count > _whole(before[name]) for name, count in counts.items())
    is_open_again = is_more or said == "acknowledged"
    state = "searched" if is_open_again else str(said)
    write_answer(store, notice.record, state, found, chance=draw_chance())
    return 1


def _count_here(store: UnitStore, notice: RecordState, on: str) -> FoundHere | None:
    """Return what a notice touches now, None where nobody can search by it."""
    found, shelf = [], []
    for content in searches_of(notice):
        try:
            search = read_network_search(content)
            found.append(look_for(store, search, on=on))
            shelf += find_on_shelf(store, search, on=on)
        except CalculationError:
            # Whoever opens the list is told why; what was answered stays until then.
            continue
    return count_found(rows_of(found), shelf) if found else None


def _whole(value: object) -> int:
    return value if isinstance(value, int) else -1
