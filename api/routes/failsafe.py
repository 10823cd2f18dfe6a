"""The failsafe list over HTTP, for devices that read care: shown, on paper, signed (FU-12)."""

import base64
from typing import Annotated, Any

import msgspec
from litestar import Request, get, post
from litestar.params import JSONBody

from api.routes.access_events import note_asker
from api.routes.surroundings import (
    BY_A_DEVICE,
    BY_A_DEVICE_OR_COMMAND,
    Around,
    AskingDevice,
    DeviceOrCommand,
)
from api.use_cases.list_failsafe import (
    FailsafeList,
    list_failsafe_for,
    print_failsafe,
)
from api.use_cases.name_handed_out import name_listed
from api.use_cases.sign_failsafe import sign_failsafe_for
from api.use_cases.unit_settings import read_unit_settings

_Text = Annotated[str, msgspec.Meta(max_length=100)]


class FailsafePaper(msgspec.Struct, frozen=True, kw_only=True):
    """The list of a day as PDF (base64), with two lines to sign on."""

    as_of_on: str
    list_hash: str
    pdf: str


class FailsafeSignature(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Who prepared and who signs, ``staff/<id>``, and the list that both of them saw."""

    prepared_by: _Text
    signed_by: _Text
    list_hash: _Text


@get(
    "/api/failsafe-list",
    tags=["clinic"],
    dependencies=BY_A_DEVICE_OR_COMMAND,
    sync_to_thread=True,
    opt={"needs": "failsafe.read"},
)
def get_failsafe_list(
    request: Request[Any, Any, Any], device: DeviceOrCommand, around: Around
) -> FailsafeList:
    """List patients with implants and no future plan, with the latest signature."""
    environment = around.environment
    found = list_failsafe_for(
        around.store, device, on=around.today(), time_zone=environment.time_zone
    )
    note_asker(request, around, "read", "failsafe-list", name_listed(found))
    return found


@get(
    "/api/failsafe-paper",
    tags=["clinic"],
    dependencies=BY_A_DEVICE_OR_COMMAND,
    sync_to_thread=True,
    opt={"needs": "failsafe.print"},
)
def get_failsafe_paper(
    request: Request[Any, Any, Any], device: DeviceOrCommand, around: Around
) -> FailsafePaper:
    """Print the list of today."""
    on = around.today()
    found = list_failsafe_for(around.store, device, on=on, time_zone=around.environment.time_zone)
    note_asker(request, around, "export", "failsafe-list", name_listed(found))
    settings = read_unit_settings(around.store, on=on)
    pdf = base64.b64encode(print_failsafe(found, settings)).decode()
    return FailsafePaper(as_of_on=found.as_of_on, list_hash=found.list_hash, pdf=pdf)


@post(
    "/api/failsafe-reviews",
    tags=["clinic"],
    dependencies=BY_A_DEVICE,
    sync_to_thread=True,
    opt={"needs": "failsafe.sign"},
)
def post_failsafe_review(
    device: AskingDevice, data: JSONBody[FailsafeSignature], around: Around
) -> FailsafeList:
    """Record that a second person went through the list; answers with the list signed."""
    environment = around.environment
    return sign_failsafe_for(
        around.store,
        device,
        prepared_by=data.prepared_by,
        signed_by=data.signed_by,
        seen=data.list_hash,
        on=around.today(),
        time_zone=environment.time_zone,
        chance=environment.draw_chance(),
    )
