"""What the hub calls the units of its network."""

from api.storage.unit_store import UnitStore


def unit_name(store: UnitStore, unit: str) -> str:
    """Return what a unit is called at the hub, its id where it is not known there."""
    device = store.devices.find(unit)
    return device.name if device is not None else unit


def name_units(store: UnitStore) -> dict[str, str]:
    """Return every unit that is in, with its name."""
    return {
        one.id: one.name
        for one in store.devices.expected()
        if one.role == "unit" and not one.is_waiting
    }
