"""List what people have to settle, in the streams that a device may read."""

from api.storage.device_store import Device
from api.storage.unit_store import UnitStore
from sync.conflict import OpenConflict


def list_unit_conflicts(store: UnitStore, device: Device) -> list[OpenConflict]:
    """Return every open conflict in the device's streams, by record and field (CF1)."""
    with store.transaction():
        return store.views.conflicts(device.streams)
