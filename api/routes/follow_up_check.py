"""What the check of follow-up found, over HTTP, for devices that read care."""

from typing import Any

from litestar import Request, get
from litestar.params import FromQuery

from api.routes.access_events import note_asker
from api.routes.surroundings import (
    BY_A_DEVICE_OR_COMMAND,
    Around,
    DeviceOrCommand,
)
from api.use_cases.check_follow_up import (
    FollowUpCheck,
    check_follow_up,
    refuse_stranger_to_care,
)
from api.use_cases.name_handed_out import name_checked


@get(
    "/api/follow-up-check",
    tags=["clinic"],
    dependencies=BY_A_DEVICE_OR_COMMAND,
    sync_to_thread=True,
    opt={"needs": "follow-up-check.read"},
)
def get_follow_up_check(
    request: Request[Any, Any, Any],
    device: DeviceOrCommand,
    around: Around,
    now: FromQuery[bool] = False,
    on: FromQuery[str | None] = None,
) -> FollowUpCheck:
    """Give the day's check of follow-up; with `now` it is made anew, as after a gap was closed.

    `on` asks for another civil date; such a check is kept for nobody else.
    """
    refuse_stranger_to_care(device)
    watch = around.follow_up_watch
    if on is not None:
        found = check_follow_up(around.store, on=on)
    else:
        found = watch.check_now() if watch.latest is None or now else watch.latest
    note_asker(request, around, "read", "follow-up-check", name_checked(found))
    return found
