"""At a unit: a recall of the network becomes a notice of the unit, so that every tablet heeds it.

Tablets read nothing of the network. What the hub sends in force stands from then on among the
unit's own notices: a package of such a lot is stopped at the bedside, counted on the shelf and
searched by like any other (HAZ-46). The hub's withdrawal withdraws it. A notice that a person of
the unit withdrew is put in force again by a person alone, and the hub is told meanwhile (NL7).
"""

from collections.abc import Callable

from api.storage.unit_store import UnitStore
from api.use_cases.active_staff import refuse_stranger
from api.use_cases.errors import CalculationError, NotAllowedError
from api.use_cases.network_search import TooManyLotsError, read_network_search
from api.use_cases.recalls import (
    IN_FORCE,
    WITHDRAWN,
    is_withdrawn,
    list_network_notices,
    searches_of,
)
from api.use_cases.registry_log import registry_device
from api.use_cases.server_log import Chance, write_as_server
from sync.merge import RecordState

# Project default: a hub that sends more at once does not keep the unit from its work.
MOST_A_ROUND = 100
_FIELDS = ("item", "criteria", "reason", "issued_on")
_MARK = "network-"


def take_in_recalls(store: UnitStore, *, draw_chance: Callable[[], Chance]) -> int:
    """Write a notice of the unit for each of the network, and withdraw those withdrawn there.

    At most 100 at a time; the rest with the next exchange. What names more lots than can be
    searched by becomes none (NL9): the list of recalls says so.

    Returns
    -------
    int
        How many operations were written; the second time none.
    """
    with store.transaction():
        notices = list_network_notices(store)
    written = 0
    for notice in notices:
        if written == MOST_A_ROUND:
            break
        # A tablet waits for one notice, not for all of them.
        with store.transaction():
            written += _take_in(store, notice, draw_chance=draw_chance)
    return written


def name_own_notice(notice: str) -> str:
    """Return the unit's own record for a notice of the network."""
    return f"recall_notice/{_MARK}{notice.partition('/')[2]}"


def is_withdrawn_here(store: UnitStore, notice: str) -> bool:
    """Say whether people of the unit took its own copy of a notice out of force.

    Inside a transaction: no tablet heeds it then, whatever the hub says.
    """
    own = store.views.state_of(name_own_notice(notice))
    return own is not None and (own.is_entered_in_error or is_withdrawn(own))


def heed_again(store: UnitStore, notice: RecordState, *, by: str, chance: Chance) -> None:
    """Put the unit's own copy of a notice in force again; inside a transaction.

    Raises
    ------
    NotAllowedError
        It is in force, or whoever says so does not work here. Nothing is written.
    """
    refuse_stranger(store, by)
    record = name_own_notice(notice.record)
    own = store.views.state_of(record)
    if own is None or not is_withdrawn_here(store, notice.record):
        raise NotAllowedError("The tablets heed this notice already. Look at the list again.")
    fields = _fields_of(notice)
    over = {name: own.fields[name].references for name in fields if name in own.fields}
    because = "heeded again"
    write_as_server(store, record, fields, by=by, because=because, chance=chance, over=over)


def _fields_of(notice: RecordState) -> dict[str, object]:
    said: dict[str, object] = {
        name: held.values[-1].value
        for name in _FIELDS
        if (held := notice.fields.get(name)) is not None
    }
    return {**said, "state": IN_FORCE}


def _take_in(store: UnitStore, notice: RecordState, *, draw_chance: Callable[[], Chance]) -> int:
    record = name_own_notice(notice.record)
    own = store.views.state_of(record)
    by = registry_device(store)
    if own is None:
        if is_withdrawn(notice) or _is_too_large(notice):
            return 0
        fields = _fields_of(notice)
        because = "sent by the hub of the network"
        write_as_server(store, record, fields, by=by, because=because, chance=draw_chance())
        return 1
    if not is_withdrawn(notice) or own.is_entered_in_error or is_withdrawn(own):
        return 0
    held = own.fields.get("state")
    write_as_server(
        store,
        record,
        {"state": WITHDRAWN},
        by=by,
        because="withdrawn by the hub of the network",
        chance=draw_chance(),
        over={"state": held.references} if held else None,
    )
    return 1


def _is_too_large(notice: RecordState) -> bool:
    for content in searches_of(notice):
        try:
            read_network_search(content)
        except TooManyLotsError:
            return True
        except CalculationError:
            # Nobody can search by it here either, but a tablet may still know the package.
            continue
    return False
