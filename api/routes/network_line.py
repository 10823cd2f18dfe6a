"""A unit's line to the hub over HTTP, and at the hub what a unit tells of itself."""

from typing import Annotated, Any

import msgspec
from litestar import Request, get, post
from litestar.params import JSONBody

from api.routes.access_events import note_asker
from api.routes.surroundings import BY_A_DEVICE, Around, AskingDevice
from api.use_cases.hub_line import LineStanding, join_hub, leave_hub, tell_line
from api.use_cases.registry_erasures import ErasedAtUnit, ForgottenAtHub, forget_for_unit
from api.use_cases.standing_report import StandingReport, keep_standing

MOST_REPORT_BYTES = 2_097_152


class LinkToJoin(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The link that was printed at the hub, with its code behind ``#``."""

    link: Annotated[str, msgspec.Meta(max_length=300)]


@get("/api/network/line", tags=["network"], sync_to_thread=True, opt={"needs": "network-line.read"})
def get_network_line(around: Around) -> LineStanding:
    """Say how the line to the hub stands."""
    return tell_line(around.store)


@post(
    "/api/network/joinings",
    tags=["network"],
    status_code=200,
    sync_to_thread=True,
    opt={"needs": "network-line.change"},
)
def post_network_joining(
    request: Request[Any, Any, Any], data: JSONBody[LinkToJoin], around: Around
) -> LineStanding:
    """Join the hub of a link; it waits until a person there has compared the six digits."""
    note_asker(request, around, "change", "network-line", why="join")
    return join_hub(
        around.store,
        data.link,
        draw_chance=around.draw_chance,
        open_transport=around.hub_line.open_transport,
    )


@post(
    "/api/network/rounds",
    tags=["network"],
    status_code=200,
    sync_to_thread=True,
    opt={"needs": "network-line.change"},
)
def post_network_round(request: Request[Any, Any, Any], around: Around) -> LineStanding:
    """Publish what changed and exchange with the hub now."""
    note_asker(request, around, "change", "network-line", why="publish")
    return around.hub_line.try_now()


@post(
    "/api/network/leavings",
    tags=["network"],
    status_code=200,
    sync_to_thread=True,
    opt={"needs": "network-line.change"},
)
def post_network_leaving(request: Request[Any, Any, Any], around: Around) -> LineStanding:
    """Send nothing to the hub any more."""
    note_asker(request, around, "change", "network-line", why="leave")
    leave_hub(around.store)
    return tell_line(around.store)


class StandingKept(msgspec.Struct, frozen=True):
    """When the hub kept the report, wall milliseconds of its server."""

    noted_ms: int


@post(
    "/api/network/standing",
    tags=["network"],
    status_code=200,
    sync_to_thread=True,
    request_max_body_size=MOST_REPORT_BYTES,
    dependencies=BY_A_DEVICE,
    opt={"needs": "network-standing.tell"},
)
def post_network_standing(
    data: JSONBody[StandingReport], device: AskingDevice, around: Around
) -> StandingKept:
    """Keep what a unit tells of itself; the last report of a day stands for it."""
    now_ms = around.environment.now_ms()
    keep_standing(around.store, device.id, data, now_ms=now_ms, today=around.today())
    return StandingKept(now_ms)


@post(
    "/api/network/erasures",
    tags=["network"],
    status_code=200,
    sync_to_thread=True,
    dependencies=BY_A_DEVICE,
    opt={"needs": "network-erasures.tell"},
)
def post_network_erasures(
    data: JSONBody[ErasedAtUnit], device: AskingDevice, around: Around
) -> ForgottenAtHub:
    """Erase what a unit told and has erased itself (ER7)."""
    return forget_for_unit(around.store, device.id, data.records, draw_chance=around.draw_chance)
