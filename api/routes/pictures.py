"""Bytes of still pictures over HTTP: how much is held, one piece in, one piece out."""

import asyncio
from typing import Annotated, Any

from litestar import Request, Response, get, put
from litestar.params import FromPath, QueryParameter

from api.routes.surroundings import BY_A_DEVICE, Around, AskingDevice
from api.use_cases.receive_picture import (
    MAX_PIECE_BYTES,
    PictureStanding,
    find_standing,
    give_piece,
    receive_piece,
)

_PATH = "/api/pictures/{digest:str}"
Record = Annotated[str, QueryParameter(max_length=105)]
Offset = Annotated[int, QueryParameter(ge=0, le=2**53 - 1)]


@get(
    f"{_PATH}/standing",
    sync_to_thread=True,
    dependencies=BY_A_DEVICE,
    tags=["pictures"],
    opt={"needs": "pictures.read"},
)
def get_picture_standing(
    device: AskingDevice, around: Around, digest: FromPath[str], record: Record
) -> PictureStanding:
    """Say how many bytes of a picture are held, to go on from there."""
    return find_standing(around.store, device, record, digest)


@put(
    _PATH,
    status_code=200,
    dependencies=BY_A_DEVICE,
    request_max_body_size=MAX_PIECE_BYTES,
    tags=["pictures"],
    opt={"needs": "pictures.write"},
)
async def put_picture_piece(
    request: Request[Any, Any, Any],
    device: AskingDevice,
    around: Around,
    digest: FromPath[str],
    record: Record,
    offset: Offset = 0,
) -> PictureStanding:
    """Take in one piece of at most 1 MiB, as its plain bytes; the last one makes it whole."""
    piece = await request.body()
    return await asyncio.to_thread(
        receive_piece, around.store, device, record, digest, offset, piece
    )


@get(
    _PATH,
    dependencies=BY_A_DEVICE,
    tags=["pictures"],
    # JPEG and PNG are squeezed already.
    opt={"needs": "pictures.read", "comes_squeezed": True},
)
async def get_picture_piece(
    device: AskingDevice,
    around: Around,
    digest: FromPath[str],
    record: Record,
    offset: Offset = 0,
) -> Response[bytes]:
    """Give at most 1 MiB of a whole picture from an offset on; nothing at its end."""
    piece = await asyncio.to_thread(give_piece, around.store, device, record, digest, offset)
    now_ms = around.environment.now_ms()
    await asyncio.to_thread(around.reads.note, device, "picture", at_ms=now_ms, record=record)
    return Response(piece, media_type="application/octet-stream")
