"""What a unit erased of what its network was told: the hub hears which, and erases it too (ER7)."""

import datetime
import hashlib
from collections.abc import Callable, Iterator, Sequence
from typing import Annotated

import msgspec

from api.storage.device_store import UNIT_ROLE
from api.storage.erasure_list import ListedErasure, add_to_erasure_list
from api.storage.hub_requests import HubRequests
from api.storage.unit_store import UnitStore
from api.use_cases.erase_records import NAMES_A_RECORD, Consent, carry_out, erase_records
from api.use_cases.errors import NotAllowedError
from api.use_cases.plan_erasure import ErasurePlan, plan_erasure
from api.use_cases.server_log import Chance
from api.use_cases.server_role import is_hub
from api.use_cases.told_records import OF_UNITS, own_registry_records

_BECAUSE = "The unit erased them by the word of two of its people."
# Which erasures the hub of the moment took, and on which day it was told of all of them.
_TOLD_FACT = "erasures told to the hub"
_PATH = "/api/network/erasures"


class ErasedAtUnit(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Records of a unit's own that it erased, by the names that the network knows."""

    records: Annotated[
        tuple[Annotated[str, msgspec.Meta(max_length=100)], ...],
        msgspec.Meta(max_length=NAMES_A_RECORD),
    ]


class ForgottenAtHub(msgspec.Struct, frozen=True):
    """How many entries lost their content at the hub just now."""

    bodies: int


def tell_erasures(store: UnitStore, requests: HubRequests, *, today: str) -> str:
    """Tell the hub which of its records are erased, where it does not know yet.

    Before a round, since an entry that was erased unsent is taken in without its content alone
    where the hub knows why (ER3). Told anew once a day and to a hub that was put back: an older
    copy of it would hold them again.

    Returns
    -------
    str
        Why the hub did not take them, "" where it knows all.

    Raises
    ------
    NoAnswerError
        No answer came.

    Notes
    -----
    Rule ER7.
    """
    with store.transaction():
        erased = sorted(own_registry_records(store) & store.erasures.listed().keys())
        line, told = store.hub_line.find(), store.fact(_TOLD_FACT)
    if not erased or line is None:
        return ""
    digest = hashlib.sha256(" ".join(erased).encode()).hexdigest()
    mark = f"{line.hub_key} {line.server} {today} {digest}"
    if told == mark:
        return ""
    for some in _cut(erased):
        answer = requests.post(_PATH, ErasedAtUnit(some))
        if not answer.is_good:
            return f"The hub was not told of an erasure: {answer.sentence}"
    with store.transaction():
        store.keep_fact(_TOLD_FACT, mark)
    return ""


def forget_for_unit(
    store: UnitStore, unit: str, records: Sequence[str], *, draw_chance: Callable[[], Chance]
) -> ForgottenAtHub:
    """Erase at the hub what a unit says that it has erased.

    Raises
    ------
    NotAllowedError
        A record is none of the registry, or another unit has told it. Nothing is erased.

    Notes
    -----
    Rules ER7, RG14. The two people and their reason stand at the unit; here the unit stands for
    them.
    """
    with store.transaction():
        writers = store.registry.writers_of(records)
        for one in records:
            if not one.startswith(OF_UNITS) or writers.get(one, set()) - {unit}:
                raise NotAllowedError(
                    f"{one[:60]} is no record of this unit in the registry. A unit erases its own."
                )
        erased = store.erasures.listed()
        fresh = sorted({one for one in records if one not in erased})
        listed = tuple(_list(unit, some, draw_chance()) for some in _cut(fresh))
        # Here, since the list is one file and several units may tell at once.
        add_to_erasure_list(store.folder, listed)
    # Told again while the file is still being written anew, nothing is left to do.
    return ForgottenAtHub(carry_out(store, listed, draw_chance) if listed else 0)


def plan_erasure_of_unit(store: UnitStore, unit: str) -> ErasurePlan:
    """Return what erasing all that a unit told would destroy; changes nothing.

    Raises
    ------
    NotAllowedError
        As `records_of_unit`.
    """
    return plan_erasure(store, records_of_unit(store, unit))


def erase_unit(
    store: UnitStore, unit: str, consent: Consent, *, draw_chance: Callable[[], Chance]
) -> ErasurePlan:
    """Erase at the hub all that a unit told, its standing reports too.

    Raises
    ------
    NotAllowedError
        As `records_of_unit` and `erase_records`.

    Notes
    -----
    Rules ER2, ER7.
    """
    plan = erase_records(store, records_of_unit(store, unit), consent, draw_chance=draw_chance)
    with store.transaction():
        store.standings.forget(unit)
    return plan


def records_of_unit(store: UnitStore, unit: str) -> list[str]:
    """Return what a unit told and is not erased yet, sorted.

    Raises
    ------
    NotAllowedError
        This is no hub, it knows no such unit, the unit may still tell, or nothing of it is left.
    """
    with store.transaction():
        device = store.devices.find(unit)
        if not is_hub(store) or device is None or device.role != UNIT_ROLE:
            raise NotAllowedError(
                f"{unit[:60]} is no unit of this hub. See crura device list at the hub."
            )
        if device.revoked_ms is None:
            raise NotAllowedError(
                f"{unit} may still tell the network. Revoke it first: crura device revoke."
            )
        erased = store.erasures.listed()
        found = {
            record
            for epoch in store.operations.counters_of(unit)
            for record in store.registry.records_of(unit, epoch)
            if record.startswith(OF_UNITS) and record not in erased
        }
    if not found:
        raise NotAllowedError(f"Nothing that {unit} told is left here. There is nothing to erase.")
    return sorted(found)


def _list(unit: str, records: tuple[str, ...], chance: Chance) -> ListedErasure:
    at = datetime.datetime.fromtimestamp(chance.now_ms // 1_000, datetime.UTC)
    return ListedErasure(
        erasure=f"erasure/{chance.new_id}",
        of=records,
        pictures=(),
        because=_BECAUSE,
        decided_by=unit,
        agreed_by=unit,
        at=at.isoformat(),
    )


def _cut(records: Sequence[str]) -> Iterator[tuple[str, ...]]:
    for start in range(0, len(records), NAMES_A_RECORD):
        yield tuple(records[start : start + NAMES_A_RECORD])
