"""Which key of the server a device was told at joining, where the server had more than one (RQ8).

A device holds what the unit tells it against that key alone: it would not clear itself on the word
of another one.
"""

from api.storage.server_key import ServerKey
from api.storage.unit_store import UnitStore

_FACT = "server key told to "


def note_told_key(store: UnitStore, device: str) -> None:
    """Keep which key a device that joins is told; inside a transaction."""
    if store.server_key.former:
        store.keep_fact(f"{_FACT}{device}", store.server_key.key_id)


def note_all_told(store: UnitStore) -> None:
    """Keep, before the key is replaced, that every device here was told it; in a transaction."""
    for device in store.devices.ids():
        if store.fact(f"{_FACT}{device}") is None:
            store.keep_fact(f"{_FACT}{device}", store.server_key.key_id)


def key_told_to(store: UnitStore, device: str) -> ServerKey:
    """Return the key that a device was told, the present one where that is not known or lost."""
    told = store.fact(f"{_FACT}{device}")
    return next((one for one in store.server_key.every if one.key_id == told), store.server_key)
