"""What stands around every answer: headers, the bound on squeezed requests, the host named.

A plain ASGI wrapper, since the framework's own hooks do not run for every error (SEC-02).
"""

import zlib
from http import HTTPStatus

from litestar.enums import ScopeType
from litestar.types import ASGIApp, Message, Receive, ReceiveMessage, Scope, Send

from api.routes.error_responses import CONTENT_TYPE, problem_content

MAX_INFLATED_BYTES = 8 * 1024 * 1024
_GZIP = 16 + zlib.MAX_WBITS
_CONTENT_SECURITY = (
    "default-src 'self'; script-src 'self' 'wasm-unsafe-eval'; worker-src 'self'; "
    "style-src 'self'; connect-src 'self'; media-src 'self' blob:; img-src 'self' data: blob:; "
    "object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)
_HEADERS = [
    (b"content-security-policy", _CONTENT_SECURITY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (
        b"permissions-policy",
        b"camera=(self), screen-wake-lock=(self), microphone=(), geolocation=(), payment=(), "
        b"usb=()",
    ),
]
# A segment is named by its content; it says itself who may keep it.
_NEVER_CHANGED = "/api/exchange/snapshot/"
_YEAR_OF_HTTPS = (b"strict-transport-security", b"max-age=31536000")
LOOPBACK_HOSTS = frozenset({"127.0.0.1", "localhost", "[::1]"})


class OuterShell:
    """Wraps the application.

    Parameters
    ----------
    hosts : frozenset of str or None
        Host names that a request may name, so that a foreign page cannot reach a server on the
        loopback under a name of its own; None allows every name.
    """

    def __init__(self, app: ASGIApp, *, hosts: frozenset[str] | None = None) -> None:
        self._app = app
        self._hosts = hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != ScopeType.HTTP:
            await self._app(scope, receive, send)
            return
        headed = _with_headers(scope, send)
        if self._hosts is not None and _host(scope) not in self._hosts:
            await _refuse(
                headed,
                HTTPStatus.MISDIRECTED_REQUEST,
                "This server answers to 127.0.0.1 and localhost alone. Open it by that address.",
            )
            return
        coding = _header(scope, b"content-encoding").strip().lower()
        if coding in (b"", b"identity"):
            await self._app(scope, receive, headed)
            return
        if coding != b"gzip":
            await _refuse(
                headed,
                HTTPStatus.UNSUPPORTED_MEDIA_TYPE,
                "Requests may be squeezed by gzip alone. Send it plain or by gzip.",
            )
            return
        try:
            body = await _inflate(receive)
        except zlib.error:
            await _refuse(
                headed,
                HTTPStatus.UNPROCESSABLE_ENTITY,
                "The request says it is gzip and cannot be unpacked. Send it again.",
            )
            return
        if body is None:
            await _refuse(
                headed,
                HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
                f"Unpacked, the request is over {MAX_INFLATED_BYTES} bytes. Send smaller batches.",
            )
            return
        await self._app(_plain(scope, len(body)), _receive_once(body, receive), headed)


def _header(scope: Scope, name: bytes) -> bytes:
    return next((content for key, content in scope["headers"] if key == name), b"")


def _host(scope: Scope) -> str:
    host = _header(scope, b"host").decode("latin-1").lower()
    return (
        host[: host.index("]") + 1] if host.startswith("[") and "]" in host else host.split(":")[0]
    )


def _with_headers(scope: Scope, send: Send) -> Send:
    added = list(_HEADERS)
    if scope["scheme"] == "https":
        added.append(_YEAR_OF_HTTPS)
    if scope["path"].startswith("/api/"):
        added.append((b"cache-control", b"no-store"))

    async def send_with_headers(message: Message) -> None:
        if message["type"] == "http.response.start":
            if scope["path"].startswith(_NEVER_CHANGED) and message["status"] == HTTPStatus.OK:
                added.remove((b"cache-control", b"no-store"))
            names = {name for name, _ in added}
            kept = [header for header in message.get("headers", []) if header[0] not in names]
            message["headers"] = [*kept, *added]
        await send(message)

    return send_with_headers


async def _inflate(receive: Receive) -> bytes | None:
    """Return the unpacked body, None when it grows over the bound."""
    unpacker = zlib.decompressobj(_GZIP)
    body = bytearray()
    while True:
        message = await receive()
        if message["type"] != "http.request":
            raise zlib.error("cut off")
        packed = message.get("body", b"")
        while packed:
            body += unpacker.decompress(packed, MAX_INFLATED_BYTES + 1 - len(body))
            if len(body) > MAX_INFLATED_BYTES:
                return None
            packed = unpacker.unconsumed_tail
        if not message.get("more_body"):
            break
    if not unpacker.eof:
        raise zlib.error("cut off")
    return bytes(body)


def _plain(scope: Scope, length: int) -> Scope:
    """Return the scope of the unpacked request."""
    plain = scope.copy()
    dropped = (b"content-encoding", b"content-length")
    plain["headers"] = [
        *((name, content) for name, content in scope["headers"] if name not in dropped),
        (b"content-length", str(length).encode()),
    ]
    return plain


def _receive_once(body: bytes, receive: Receive) -> Receive:
    is_given = False

    async def receive_body() -> ReceiveMessage:
        nonlocal is_given
        if is_given:
            return await receive()
        is_given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return receive_body


async def _refuse(send: Send, status: HTTPStatus, sentence: str) -> None:
    content = problem_content(status, sentence)
    await send(
        {
            "type": "http.response.start",
            "status": status,
            "headers": [
                (b"content-type", CONTENT_TYPE.encode()),
                (b"content-length", str(len(content)).encode()),
            ],
        }
    )
    await send({"type": "http.response.body", "body": content, "more_body": False})
