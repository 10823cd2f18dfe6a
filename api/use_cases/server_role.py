"""Whether a store is that of a unit or of a network's hub: stated once, at its first start."""

from typing import Literal

from api.storage.errors import StorageError
from api.storage.unit_store import UnitStore

Role = Literal["unit", "hub"]
# Under this name the hub's own operations travel in stream registry.
HUB_DEVICE = "hub"
_FACT = "role"


def role_of(store: UnitStore) -> Role:
    """Return what a store is; one of an older release is a unit's."""
    with store.transaction():
        return "hub" if store.fact(_FACT) == "hub" else "unit"


def is_hub(store: UnitStore) -> bool:
    """Say whether a store is that of a network's hub."""
    return role_of(store) == "hub"


def settle_role(store: UnitStore, *, as_hub: bool) -> None:
    """State what a new store is, and refuse to serve one as what it is not.

    Raises
    ------
    StorageError
        It is the other of the two. Nothing is written.
    """
    with store.transaction():
        held = store.fact(_FACT)
        if as_hub and held is None and store.operations.count() > 0:
            raise StorageError(
                "This folder holds the records of a unit. Give the hub a folder of its own: --data."
            )
        if held is not None and (held == "hub") != as_hub:
            raise StorageError(
                "This folder is that of a hub. Serve it with --hub."
                if held == "hub"
                else "This folder is that of a unit. Serve it without --hub, or give the hub a "
                "folder of its own: --data."
            )
        if held is None and as_hub:
            store.keep_fact(_FACT, "hub")
