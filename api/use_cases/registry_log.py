"""The log in which a server writes for the network: of a unit, and of the hub."""

import hashlib
from collections.abc import Mapping
from typing import Any

import msgspec

from api.storage.server_key import ServerKey
from api.storage.unit_store import UnitStore
from api.use_cases.hub_heads import forget_hub_heads
from api.use_cases.server_role import HUB_DEVICE, is_hub
from sync.merge import shown_value

REGISTRY_STREAM = "registry"
_DEVICE_FACT = "registry device"
_PURPOSE = "crura-registry-log"
# Which field of a record of the hub names the units that it is for.
_READER_FIELDS = {"network_recall": "to", "network_link": "units"}
_EPOCH_LETTERS = 16


class RegistryLog(msgspec.Struct, frozen=True):
    """Under which device and epoch the server writes what is for the network."""

    device: str
    epoch: str


def registry_device(store: UnitStore) -> str:
    """Return the name under which this server writes for the network; inside a transaction.

    It is kept once drawn: a unit whose key was lost goes on under the same name.
    """
    if is_hub(store):
        return HUB_DEVICE
    held = store.fact(_DEVICE_FACT)
    if held is None:
        held = f"unit-{registry_key(store).key_id[:16]}"
        store.keep_fact(_DEVICE_FACT, held)
    return held


def registry_key(store: UnitStore) -> ServerKey:
    """Return what this server signs with towards the network; it tells nothing of its other key."""
    return store.server_key.derive_signer(_PURPOSE)


def find_registry_log(
    store: UnitStore, record: str, fields: Mapping[str, Any], *, new_epoch: str
) -> RegistryLog:
    """Return the log into which an operation on a record of the registry goes.

    Inside a transaction. The hub has one for each set of units that may read it (RG12).

    Parameters
    ----------
    fields : mapping
        What the operation sets.
    new_epoch : str
        Begins the log where this generation of the store has none; it proves nothing of the one
        before (EX4).
    """
    device = registry_device(store)
    readers = _readers_of(store, record, fields) if device == HUB_DEVICE else ()
    name = epoch_fact(store, readers)
    epoch = store.fact(name)
    if epoch is None:
        epoch = _free_epoch(store, device, new_epoch)
        store.keep_fact(name, epoch)
        if device == HUB_DEVICE:
            store.registry.keep_readers(epoch, readers)
    return RegistryLog(device, epoch)


def present_epoch(store: UnitStore, *, new_epoch: str) -> str:
    """Return the epoch of a unit's own log for the network, beginning it where there is none."""
    return find_registry_log(store, "", {}, new_epoch=new_epoch).epoch


def begin_epoch(store: UnitStore, *, new_epoch: str) -> str:
    """Let a unit go on in a new epoch, and return it; inside a transaction."""
    epoch = _free_epoch(store, registry_device(store), new_epoch)
    store.keep_fact(epoch_fact(store, ()), epoch)
    return epoch


def begin_anew(store: UnitStore, *, new_epoch: str) -> None:
    """Take out what was told to a hub, and what it wrote; inside a transaction.

    Nothing of it concerns another hub: what is to be known there is told anew, in a new epoch, and
    what was struck before is not told at all (RG21). A recall of the former hub stays in force as
    the unit's own notice.
    """
    records: set[str] = set()
    for device in (registry_device(store), HUB_DEVICE):
        for epoch in store.operations.counters_of(device):
            records |= store.registry.records_of(device, epoch)
            store.registry.take_out(device, epoch, first=1)
            store.signatures.forget_log(device, epoch)
    forget_hub_heads(store)
    store.views.refresh(records)
    begin_epoch(store, new_epoch=new_epoch)


def epoch_fact(store: UnitStore, readers: tuple[str, ...]) -> str:
    """Return the name of the fact that keeps the epoch of a log for the network."""
    generation = store.fact("generation") or ""
    name = f"registry epoch of {generation}{store.process and f' in {store.process}'}"
    if not readers:
        return name
    return f"{name} for {hashlib.sha256(' '.join(readers).encode()).hexdigest()}"


def keep_readers_of(store: UnitStore, epoch: str, record: str) -> None:
    """Keep who may read a log of the hub that others brought back; inside a transaction."""
    if store.registry.readers_of(epoch) is None and store.views.state_of(record) is not None:
        store.registry.keep_readers(epoch, _readers_of(store, record, {}))


def _readers_of(store: UnitStore, record: str, fields: Mapping[str, Any]) -> tuple[str, ...]:
    field = _READER_FIELDS.get(record.split("/", 1)[0])
    if field is None:
        return ()
    named = fields.get(field)
    if named is None:
        state = store.views.state_of(record)
        named = shown_value(state.fields.get(field)) if state is not None else None
    return tuple(sorted({str(one) for one in named})) if isinstance(named, list | tuple) else ()


def _free_epoch(store: UnitStore, device: str, wanted: str) -> str:
    """Return an epoch that no log of the device bears: two sets of readers never share one."""
    epoch, number = wanted, 1
    while (
        store.operations.tip_of(device, epoch).counter > 0
        or store.registry.readers_of(epoch) is not None
    ):
        number += 1
        epoch = f"{wanted[: _EPOCH_LETTERS - len(str(number))]}{number}"
    return epoch
