"""The failsafe list over HTTP, for devices that read care."""

from litestar import get
from litestar.di import Provide

from api.routes.surroundings import Around, AskingDevice, provide_device
from api.use_cases.list_failsafe import FailsafeList, list_failsafe_for


@get(
    "/api/failsafe-list",
    tags=["clinic"],
    dependencies={"device": Provide(provide_device, sync_to_thread=True)},
    sync_to_thread=True,
)
def get_failsafe_list(device: AskingDevice, around: Around) -> FailsafeList:
    """List patients with implants and no future plan, with the latest signature."""
    environment = around.environment
    return list_failsafe_for(
        around.store, device, on=around.today(), time_zone=environment.time_zone
    )
