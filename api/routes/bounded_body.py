"""Bodies of requests within bounds: of size once unpacked, and of time.

Slow and squeezed bodies are refused before a route sees them (SEC-02, THR-D1).
"""

import asyncio
import zlib
from http import HTTPStatus

from litestar.exceptions import HTTPException
from litestar.types import Receive, ReceiveMessage, Scope

MAX_INFLATED_BYTES = 8 * 1024 * 1024
# Project defaults, no source: a push of 8 MiB over a poor wireless network takes a minute.
MAX_SILENT_SECONDS = 20.0
MAX_BODY_SECONDS = 180.0
_GZIP = 16 + zlib.MAX_WBITS


class BodyRefusedError(HTTPException):
    """A body that is not taken in; the text says what to do."""

    def __init__(self, status: HTTPStatus, sentence: str) -> None:
        super().__init__(detail=sentence, status_code=status)
        self.status = status
        self.sentence = sentence

    def __str__(self) -> str:
        """Return the sentence alone."""
        return self.sentence


async def take_body(scope: Scope, receive: Receive) -> Receive:
    """Return the body of a request as the routes may have it: plain, in time.

    The headers of ``scope`` then tell of the plain body.

    Raises
    ------
    BodyRefusedError
        Squeezed otherwise than by gzip, no gzip, too large once unpacked, or too slow.
    """
    timely = _in_time(receive)
    codings = [content for name, content in scope["headers"] if name == b"content-encoding"]
    coding = b",".join(codings).strip().lower()
    if coding in (b"", b"identity"):
        return timely
    if coding != b"gzip":
        raise BodyRefusedError(
            HTTPStatus.UNSUPPORTED_MEDIA_TYPE,
            "Requests may be squeezed by gzip alone. Send it plain or by gzip.",
        )
    try:
        body = await _inflate(timely)
    except zlib.error as error:
        raise BodyRefusedError(
            HTTPStatus.UNPROCESSABLE_ENTITY,
            "The request says it is gzip and cannot be unpacked. Send it again.",
        ) from error
    _tell_plain(scope, len(body))
    return _receive_once(body, receive)


def _in_time(receive: Receive) -> Receive:
    """Return the same messages; while the body comes, none may be waited for too long."""
    is_whole = False
    clock = asyncio.get_running_loop().time
    until = clock() + MAX_BODY_SECONDS

    async def receive_in_time() -> ReceiveMessage:
        nonlocal is_whole
        if is_whole:
            # What comes next is the news that the asker has gone, which may take as long as it may.
            return await receive()
        left = min(MAX_SILENT_SECONDS, until - clock())
        try:
            message = await asyncio.wait_for(receive(), max(0.0, left))
        except TimeoutError as error:
            raise BodyRefusedError(
                HTTPStatus.REQUEST_TIMEOUT,
                "The content did not come in time. Send it again, in smaller parts.",
            ) from error
        is_whole = message["type"] != "http.request" or not message.get("more_body")
        return message

    return receive_in_time


async def _inflate(receive: Receive) -> bytes:
    """Return the unpacked body; raises `zlib.error`, or `BodyRefusedError` over the bound."""
    unpacker = zlib.decompressobj(_GZIP)
    body = bytearray()
    packed_bytes = 0
    while True:
        message = await receive()
        if message["type"] != "http.request":
            raise zlib.error("cut off")
        packed = message.get("body", b"")
        packed_bytes += len(packed)
        # Gzip can also be longer than what it holds, without end.
        _refuse_over_bound(packed_bytes)
        while packed:
            body += unpacker.decompress(packed, MAX_INFLATED_BYTES + 1 - len(body))
            _refuse_over_bound(len(body))
            packed = unpacker.unconsumed_tail
        if not message.get("more_body"):
            break
    if not unpacker.eof:
        raise zlib.error("cut off")
    return bytes(body)


def _refuse_over_bound(count: int) -> None:
    if count > MAX_INFLATED_BYTES:
        raise BodyRefusedError(
            HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
            f"Unpacked, the request is over {MAX_INFLATED_BYTES} bytes. Send smaller batches.",
        )


def _tell_plain(scope: Scope, length: int) -> None:
    dropped = (b"content-encoding", b"content-length", b"transfer-encoding")
    scope["headers"] = [
        *((name, content) for name, content in scope["headers"] if name not in dropped),
        (b"content-length", str(length).encode()),
    ]


def _receive_once(body: bytes, receive: Receive) -> Receive:
    is_given = False

    async def receive_body() -> ReceiveMessage:
        nonlocal is_given
        if is_given:
            return await receive()
        is_given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return receive_body
