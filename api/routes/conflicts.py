"""Open conflicts over HTTP."""

import msgspec
from litestar import get
from litestar.di import Provide

from api.routes.surroundings import Around, AskingDevice, provide_device
from api.use_cases.list_conflicts import list_unit_conflicts
from sync.conflict import OpenConflict


class Conflicts(msgspec.Struct, frozen=True):
    """Everything people have to settle in the device's streams."""

    conflicts: list[OpenConflict]


@get(
    "/api/conflicts",
    tags=["record"],
    dependencies={"device": Provide(provide_device, sync_to_thread=True)},
    sync_to_thread=True,
)
def get_conflicts(device: AskingDevice, around: Around) -> Conflicts:
    """List the open conflicts in the streams the device may read."""
    return Conflicts(list_unit_conflicts(around.store, device))
