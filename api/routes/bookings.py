"""Proposals, bookings beyond the places of a session, and closed days, over HTTP; read alone."""

from typing import Annotated, Any

import msgspec
from litestar import Request, get, post
from litestar.params import JSONBody

from api.clinical_rules.civil_date import add_days
from api.routes.access_events import note_asker
from api.routes.surroundings import (
    BY_A_DEVICE,
    BY_A_DEVICE_OR_COMMAND,
    Around,
    AskingDevice,
    DeviceOrCommand,
)
from api.use_cases.closed_days import ClosedDays, list_closed_days
from api.use_cases.list_over_bookings import OverBookings, list_over_bookings
from api.use_cases.propose_bookings import LOOK_AHEAD_DAYS, Proposals, propose_bookings

_Day = Annotated[str, msgspec.Meta(max_length=10)]
_Record = Annotated[str, msgspec.Meta(max_length=100)]


class ProposalRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a desk asks: places from the day after `today_on` to `until_on`, for these visits.

    Left out they are the unit's own day, and 90 days after that.
    """

    today_on: _Day | None = None
    until_on: _Day | None = None
    visits: Annotated[list[_Record], msgspec.Meta(max_length=2_000)] | None = None
    may_move: bool = False


@post(
    "/api/bookings/propose",
    tags=["clinic"],
    status_code=200,
    dependencies=BY_A_DEVICE_OR_COMMAND,
    sync_to_thread=True,
    opt={"needs": "bookings.propose"},
)
def post_proposals(
    request: Request[Any, Any, Any],
    data: JSONBody[ProposalRequest],
    device: DeviceOrCommand,
    around: Around,
) -> Proposals:
    """Propose a session for every visit that needs one; a person books."""
    if device is None:
        note_asker(request, around, "read", "bookings", why="proposals")
    else:
        around.reads.note(device, "bookings", at_ms=around.environment.now_ms(), why="proposals")
    today = around.today()
    return propose_bookings(
        around.store,
        today_on=today if data.today_on is None else data.today_on,
        until_on=add_days(today, LOOK_AHEAD_DAYS) if data.until_on is None else data.until_on,
        visits=data.visits,
        may_move=data.may_move,
    )


@get(
    "/api/bookings/over",
    tags=["clinic"],
    dependencies=BY_A_DEVICE,
    sync_to_thread=True,
    opt={"needs": "bookings.read"},
)
def get_over_bookings(device: AskingDevice, around: Around) -> OverBookings:
    """List the sessions from today on in which a booked visit has no place."""
    around.reads.note(device, "bookings", at_ms=around.environment.now_ms(), why="over")
    return list_over_bookings(around.store, from_on=around.today())


@get(
    "/api/closed-days",
    tags=["clinic"],
    dependencies=BY_A_DEVICE_OR_COMMAND,
    sync_to_thread=True,
    opt={"needs": "closed-days.read"},
)
def get_closed_days(device: DeviceOrCommand, around: Around) -> ClosedDays:
    """List the public holidays of the unit's country, from today on; a device keeps them."""
    return list_closed_days(around.store, on=around.today())
