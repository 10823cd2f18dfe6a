"""Every case as tables over HTTP, for devices that read care."""

from typing import Any

from litestar import Request, Response, get

from api.routes.access_events import note_asker
from api.routes.surroundings import (
    BY_A_DEVICE_OR_COMMAND,
    Around,
    DeviceOrCommand,
)
from api.use_cases.export_cases import export_cases_for
from api.use_cases.name_handed_out import name_exported


@get(
    "/api/cases/export",
    tags=["case"],
    dependencies=BY_A_DEVICE_OR_COMMAND,
    sync_to_thread=True,
    opt={"needs": "cases.export", "limit": "export"},
)
def get_case_export(
    request: Request[Any, Any, Any], device: DeviceOrCommand, around: Around
) -> Response[Any]:
    """Answer with one JSON object: tables of rows, and the data dictionary."""
    content = export_cases_for(around.store, device)
    note_asker(request, around, "export", "cases", name_exported(around.store))
    return Response(content, media_type="application/json")
