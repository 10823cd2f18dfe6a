"""At the hub: recalls for all units or some are written and withdrawn."""

from collections.abc import Mapping, Sequence
from typing import Any

from api.storage.unit_store import UnitStore
from api.use_cases.active_staff import refuse_stranger
from api.use_cases.errors import CalculationError, NotAllowedError
from api.use_cases.network_search import read_network_search
from api.use_cases.network_units import name_units
from api.use_cases.recalls import (
    NETWORK_NOTICE,
    WITHDRAWN,
    draft_notice,
    is_withdrawn,
)
from api.use_cases.server_log import Chance, write_as_server
from sync.merge import RecordState


def add_network_recall(
    store: UnitStore,
    criteria: Mapping[str, Any],
    *,
    item: str | None,
    reason: str,
    issued_on: str,
    to: Sequence[str] = (),
    by: str,
    chance: Chance,
) -> str:
    """Write a notice for units down, in force from now on, and return its record.

    Parameters
    ----------
    criteria : mapping
        ``identifier``, ``lots``, ``expires_from``, ``expires_to``; what is left out narrows
        nothing.
    to : sequence of str
        Ids of units; none is for all, also those that join later.

    Raises
    ------
    CalculationError
        It names nothing to search by, more than 200 lots, no day of the calendar, no reason, or
        a serial number, which never leaves a unit.
    NotAllowedError
        Whoever writes it does not work here, or a unit is not known. Nothing is written.
    """
    if "serial" in criteria:
        raise CalculationError("Serial numbers never leave a unit. Name the lot.")
    read_network_search({**criteria, **({"item": item} if item else {})})
    fields = draft_notice(criteria, item=item, reason=reason, issued_on=issued_on)
    record = f"{NETWORK_NOTICE}/{chance.new_id}"
    with store.transaction():
        refuse_stranger(store, by)
        known = name_units(store)
        for unit in to:
            if unit not in known:
                message = f"{unit[:40]!r} is no unit here. Name one of: {', '.join(known)}."
                raise NotAllowedError(message)
        write_as_server(
            store,
            record,
            {**fields, "to": sorted(set(to))},
            by=by,
            because="recall notice entered",
            chance=chance,
        )
    return record


def withdraw_network_recall(
    store: UnitStore, notice: str, *, by: str, because: str, chance: Chance
) -> None:
    """Say that a notice is in force no longer; it stays in the record, with its answers.

    Raises
    ------
    NotAllowedError
        There is no such notice in force, or whoever says so does not work here. Nothing is
        written.
    """
    with store.transaction():
        refuse_stranger(store, by)
        state = find_notice(store, notice)
        if is_withdrawn(state):
            raise NotAllowedError("The notice is withdrawn already. Look at the list again.")
        write_as_server(
            store,
            notice,
            {"state": WITHDRAWN},
            by=by,
            because=because.strip() or "notice withdrawn",
            chance=chance,
            over={"state": state.fields["state"].references} if "state" in state.fields else None,
        )


def find_notice(store: UnitStore, notice: str) -> RecordState:
    """Return a notice of the network; inside a transaction or a reading.

    Raises
    ------
    NotAllowedError
        There is none of this name.
    """
    is_named = notice.startswith(f"{NETWORK_NOTICE}/")
    state = store.views.state_of(notice) if is_named else None
    if state is None or state.is_entered_in_error:
        message = f"{notice[:60]!r} is no notice here. See those of: crura hub recall list."
        raise NotAllowedError(message)
    return state
