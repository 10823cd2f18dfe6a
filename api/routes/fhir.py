"""Visits as FHIR R4B over HTTP, for every device of the unit: no finding, no name."""

from typing import Any

from litestar import Response, get
from litestar.di import Provide

from api.routes.surroundings import Around, AskingDevice, provide_device
from api.use_cases.export_visits import export_visits


@get(
    "/api/fhir/visits",
    tags=["clinic"],
    dependencies={"device": Provide(provide_device, sync_to_thread=True)},
    sync_to_thread=True,
)
def get_fhir_visits(device: AskingDevice, around: Around) -> Response[Any]:
    """Answer with a Bundle of Patient, ServiceRequest and Appointment."""
    environment = around.environment
    content = export_visits(
        around.store,
        on=around.today(),
        now_ms=environment.now_ms(),
        time_zone=environment.time_zone,
    )
    return Response(content, media_type="application/fhir+json")
