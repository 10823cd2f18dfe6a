"""What the check of follow-up found, over HTTP, for devices that read care."""

from typing import Any

from litestar import Request, get
from litestar.di import Provide
from litestar.params import FromQuery

from api.routes.access_events import note_asker
from api.routes.surroundings import Around, AskingDevice, provide_device
from api.use_cases.check_follow_up import FollowUpCheck, refuse_stranger_to_care
from api.use_cases.name_handed_out import name_checked


@get(
    "/api/follow-up-check",
    tags=["clinic"],
    dependencies={"device": Provide(provide_device, sync_to_thread=True)},
    sync_to_thread=True,
    opt={"needs": "follow-up-check.read"},
)
def get_follow_up_check(
    request: Request[Any, Any, Any],
    device: AskingDevice,
    around: Around,
    now: FromQuery[bool] = False,
) -> FollowUpCheck:
    """Give the day's check of follow-up; with `now` it is made anew, as after a gap was closed."""
    refuse_stranger_to_care(device)
    watch = around.follow_up_watch
    found = watch.check_now() if watch.latest is None or now else watch.latest
    note_asker(request, around, "read", "follow-up-check", name_checked(found))
    return found
