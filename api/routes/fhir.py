"""FHIR R4B over HTTP: all visits for every device of the unit, a case for those that read care."""

from typing import Annotated, Any

from litestar import Request, Response, get
from litestar.params import PathParameter

from api.record_catalogue.record_names import ID
from api.routes.access_events import note_asker
from api.routes.surroundings import (
    BY_A_DEVICE_OR_COMMAND,
    Around,
    DeviceOrCommand,
)
from api.use_cases.export_case_bundle import export_case_bundle_for
from api.use_cases.export_visits import export_visits

_MEDIA_TYPE = "application/fhir+json"


@get(
    "/api/fhir/visits",
    tags=["clinic"],
    dependencies=BY_A_DEVICE_OR_COMMAND,
    sync_to_thread=True,
    opt={"needs": "visits.export", "limit": "export"},
)
def get_fhir_visits(
    request: Request[Any, Any, Any], device: DeviceOrCommand, around: Around
) -> Response[Any]:
    """Answer with a Bundle of Patient, ServiceRequest and Appointment: no finding, no name."""
    note_asker(request, around, "export", "visits")
    environment = around.environment
    content = export_visits(
        around.store,
        on=around.today(),
        now_ms=environment.now_ms(),
        time_zone=environment.time_zone,
    )
    return Response(content, media_type=_MEDIA_TYPE)


@get(
    "/api/fhir/case/{case:str}",
    tags=["case"],
    dependencies=BY_A_DEVICE_OR_COMMAND,
    sync_to_thread=True,
    opt={"needs": "cases.export", "limit": "export"},
)
def get_fhir_case(
    request: Request[Any, Any, Any],
    device: DeviceOrCommand,
    case: Annotated[str, PathParameter(max_length=64, pattern=f"^{ID}$")],
    around: Around,
) -> Response[Any]:
    """Answer with a Bundle of one case; `case` is its id without the kind."""
    note_asker(request, around, "export", "case", (f"case/{case}",))
    environment = around.environment
    content = export_case_bundle_for(
        around.store,
        device,
        case,
        on=around.today(),
        now_ms=environment.now_ms(),
        time_zone=environment.time_zone,
    )
    return Response(content, media_type=_MEDIA_TYPE)
