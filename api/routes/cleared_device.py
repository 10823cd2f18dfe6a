"""A lost device that has cleared itself says so; the answer makes its browser clear the rest.

`Clear-Site-Data` (W3C) removes whatever a browser keeps for this address, unsent entries too. It
stands on this one answer alone: that of a device which the unit gave up as lost, which signed the
request, and which has handed over and removed its records before it asks (SEC-27).
"""

from http import HTTPStatus
from typing import Annotated, Any

import msgspec
from litestar import Request, Response, post
from litestar.params import JSONBody

from api.routes.access_events import note_asker
from api.routes.device_proof import proved_device
from api.routes.surroundings import Around
from api.use_cases.errors import NotAllowedError

CLEARS = '"cache", "cookies", "storage"'


class Cleared(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How many entries the device removed that the unit had not taken in."""

    unsent: Annotated[int, msgspec.Meta(ge=0, le=2**53 - 1)] = 0


@post(
    "/api/devices/own/cleared",
    tags=["devices"],
    status_code=HTTPStatus.NO_CONTENT,
    sync_to_thread=True,
    opt={"needs": "standing.clear"},
)
def post_cleared(
    request: Request[Any, Any, Any], data: JSONBody[Cleared], around: Around
) -> Response[None]:
    """Note that a lost device has cleared itself, and bid its browser clear the rest."""
    device = proved_device(request)
    if device is None or device.lost_ms is None:
        raise NotAllowedError(
            "The unit has not given this device up as lost. It keeps what it holds; mark it lost "
            "first."
        )
    note_asker(request, around, "clear", "standing", why=f"entries not sent: {data.unsent}")
    return Response(None, status_code=HTTPStatus.NO_CONTENT, headers={"clear-site-data": CLEARS})
