"""Snapshots over HTTP: the list of a stream's segments, and one segment by its name."""

from typing import Annotated

from litestar import Response, get
from litestar.params import FromPath, QueryParameter

from api.routes.surroundings import BY_A_DEVICE, Around, AskingDevice
from api.use_cases.answer_snapshot import Snapshot, give_segment, list_segments


@get(
    "/api/exchange/snapshot",
    sync_to_thread=True,
    dependencies=BY_A_DEVICE,
    tags=["exchange"],
    opt={"needs": "exchange.snapshot"},
)
def get_snapshot(
    device: AskingDevice,
    around: Around,
    stream: Annotated[str, QueryParameter(max_length=24)],
) -> Snapshot:
    """List the sealed segments of a stream, oldest first; what came after them is pulled."""
    answer = list_segments(around.store, device, stream)
    around.reads.note(device, "snapshot", at_ms=around.environment.now_ms(), why=stream)
    return answer


@get(
    "/api/exchange/snapshot/{digest:str}",
    sync_to_thread=True,
    dependencies=BY_A_DEVICE,
    tags=["exchange"],
    # It is gzip already.
    opt={"needs": "exchange.snapshot", "comes_squeezed": True},
)
def get_segment(device: AskingDevice, around: Around, digest: FromPath[str]) -> Response[bytes]:
    """Give one segment: gzip over one line of JSON an operation, never changed."""
    content = give_segment(around.store, device, digest)
    around.reads.note(device, "snapshot", at_ms=around.environment.now_ms(), why="segment")
    return Response(
        content,
        media_type="application/gzip",
        headers={
            "cache-control": "private, max-age=31536000, immutable",
            "etag": f'"{digest}"',
            "vary": "authorization",
        },
    )
