"""What a device tells of itself after its exchange over HTTP: builds, counts and sizes (DM-01)."""

import msgspec
from litestar import post
from litestar.params import JSONBody

from api.routes.surroundings import BY_A_DEVICE, Around, AskingDevice
from api.storage.device_standings import DeviceStanding
from api.use_cases.device_standing import note_device_standing


class StandingTold(msgspec.Struct, frozen=True):
    """When the unit noted it, wall milliseconds of its server, and the name it knows it by."""

    told_ms: int
    name: str


@post(
    "/api/device-standing",
    status_code=200,
    tags=["devices"],
    dependencies=BY_A_DEVICE,
    sync_to_thread=True,
    opt={"needs": "standing.tell"},
)
def post_device_standing(
    device: AskingDevice, data: JSONBody[DeviceStanding], around: Around
) -> StandingTold:
    """Keep what the asking device tells of itself, in the place of what it told before."""
    now_ms = around.environment.now_ms()
    note_device_standing(around.store, device, data, now_ms=now_ms)
    return StandingTold(now_ms, device.name)
