"""What waits for a person, over HTTP: open conflicts alone, or with all else to decide."""

import msgspec
from litestar import get

from api.routes.surroundings import BY_A_DEVICE, Around, AskingDevice
from api.use_cases.list_conflicts import ConflictRow, list_unit_conflicts
from api.use_cases.list_decisions import Decisions, list_decisions


class Conflicts(msgspec.Struct, frozen=True):
    """Every open conflict in the device's streams."""

    conflicts: list[ConflictRow]


@get(
    "/api/conflicts",
    tags=["record"],
    dependencies=BY_A_DEVICE,
    sync_to_thread=True,
    opt={"needs": "decisions.read"},
)
def get_conflicts(device: AskingDevice, around: Around) -> Conflicts:
    """List the open conflicts in the streams the device may read."""
    now_ms = around.environment.now_ms()
    around.reads.note(device, "decisions", at_ms=now_ms, why="conflicts")
    return Conflicts(list_unit_conflicts(around.store, device, now_ms=now_ms))


@get(
    "/api/decisions",
    tags=["record"],
    dependencies=BY_A_DEVICE,
    sync_to_thread=True,
    opt={"needs": "decisions.read"},
)
def get_decisions(device: AskingDevice, around: Around) -> Decisions:
    """List conflicts, possible double entries and alarms in the streams the device may read."""
    now_ms = around.environment.now_ms()
    around.reads.note(device, "decisions", at_ms=now_ms)
    return list_decisions(around.store, device, now_ms=now_ms)
