"""What the check of follow-up found, over HTTP, for devices that read care."""

from litestar import get
from litestar.di import Provide
from litestar.params import FromQuery

from api.routes.surroundings import Around, AskingDevice, provide_device
from api.use_cases.check_follow_up import FollowUpCheck, refuse_stranger_to_care


@get(
    "/api/follow-up-check",
    tags=["clinic"],
    dependencies={"device": Provide(provide_device, sync_to_thread=True)},
    sync_to_thread=True,
)
def get_follow_up_check(
    device: AskingDevice,
    around: Around,
    now: FromQuery[bool] = False,
) -> FollowUpCheck:
    """Give the day's check of follow-up; with `now` it is made anew, as after a gap was closed."""
    refuse_stranger_to_care(device)
    watch = around.follow_up_watch
    if watch.latest is None or now:
        return watch.check_now()
    return watch.latest
