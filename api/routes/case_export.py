"""Every case as tables over HTTP, for devices that read care."""

from typing import Any

from litestar import Response, get
from litestar.di import Provide

from api.routes.surroundings import Around, AskingDevice, provide_device
from api.use_cases.export_cases import export_cases_for


@get(
    "/api/cases/export",
    tags=["case"],
    dependencies={"device": Provide(provide_device, sync_to_thread=True)},
    sync_to_thread=True,
)
def get_case_export(device: AskingDevice, around: Around) -> Response[Any]:
    """Answer with one JSON object: tables of rows, and the data dictionary."""
    content = export_cases_for(around.store, device)
    return Response(content, media_type="application/json")
