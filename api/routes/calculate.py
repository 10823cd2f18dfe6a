"""Clinical calculations over HTTP: the same JSON in and out as `crura calculate`."""

from typing import Any

from litestar import post
from litestar.params import FromPath, JSONBody

from api.routes.surroundings import Around
from api.use_cases.answer_calculation import answer_calculation

MAX_REQUEST_BYTES = 262_144


@post(
    "/api/calculate/{kind:str}",
    status_code=200,
    tags=["calculate"],
    request_max_body_size=MAX_REQUEST_BYTES,
    sync_to_thread=True,
)
def post_calculation(
    kind: FromPath[str], data: JSONBody[dict[str, Any]], around: Around
) -> dict[str, Any]:
    """Calculate liver-scores, sizing, follow-up, antithrombotic-holds or device-label."""
    return answer_calculation(kind, data, on=around.environment.today())
