"""What stands around every answer: headers, the host named, and what a request may be at all.

A plain ASGI wrapper, since the framework's own hooks do not run for every error (SEC-02). What it
refuses never reaches a route. How bodies are taken in is `bounded_body`.
"""

from http import HTTPStatus

from litestar.enums import ScopeType
from litestar.types import ASGIApp, HTTPScope, Message, Receive, Scope, Send

from api.routes.bounded_body import BodyRefusedError, take_body
from api.routes.error_responses import BROKEN, CONTENT_TYPE, problem_content
from api.routes.fetch_metadata import refuse_foreign_page

MAX_HEADERS = 64
_FORBIDDEN_BUT = "default-src 'none'; base-uri 'none'; frame-ancestors 'none'; "
# `data:` and `blob:` are for pictures alone, which run nothing: the codes on printed papers and
# still pictures of this tablet. 'wasm-unsafe-eval' lets WebAssembly be compiled and nothing else.
_CONTENT_SECURITY = (
    f"{_FORBIDDEN_BUT}script-src 'self' 'wasm-unsafe-eval'; worker-src 'self'; "
    "connect-src 'self'; img-src 'self' data: blob:; media-src 'self' blob:; style-src 'self'; "
    "font-src 'self'; manifest-src 'self'; object-src 'none'; form-action 'self'; "
    "require-trusted-types-for 'script'; trusted-types app-urls"
)
# A service worker has no page and no markup. By the standard `importScripts` is a sink as well, and
# the names that the build writes into it come before any policy of ours could be made: without
# Trusted Types it is held to this origin alone.
_SERVICE_WORKERS = "/sw.js"
_CONTENT_SECURITY_OF_SERVICE_WORKER = f"{_FORBIDDEN_BUT}script-src 'self'; connect-src 'self'"
_HEADERS = [
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
        Host names that a request may name, in small letters and without a port, so that a foreign
        page cannot reach a server under a name of its own; None allows every name.
    is_https : bool
        Browsers reach the server by HTTPS alone, also where a proxy before it ends the HTTPS.
    """

    def __init__(
        self, app: ASGIApp, *, hosts: frozenset[str] | None = None, is_https: bool = False
    ) -> None:
        self._app = app
        self._hosts = hosts
        self._is_https = is_https

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] == ScopeType.WEBSOCKET:
            await self._app(scope, receive, send)
            return
        has_started = False
        headed = _with_headers(scope, send, is_https=self._is_https)

        async def send_noting(message: Message) -> None:
            nonlocal has_started
            has_started = True
            await headed(message)

        refusal = self._find_refusal(scope)
        if refusal is not None:
            await _refuse(headed, *refusal)
            return
        try:
            await self._app(scope, await take_body(scope, receive), send_noting)
        except BodyRefusedError as error:
            await _refuse(headed, error.status, str(error))
        except Exception:
            # The framework answers what fails inside it; this is for what fails around it.
            if has_started:
                raise
            await _refuse(headed, HTTPStatus.INTERNAL_SERVER_ERROR, BROKEN)

    def _find_refusal(self, scope: HTTPScope) -> tuple[HTTPStatus, str] | None:
        if len(list(scope["headers"])) > MAX_HEADERS:
            return (
                HTTPStatus.REQUEST_HEADER_FIELDS_TOO_LARGE,
                f"The request has over {MAX_HEADERS} headers. Send fewer.",
            )
        if self._hosts is not None and _host(scope) not in self._hosts:
            return (
                HTTPStatus.MISDIRECTED_REQUEST,
                "This server does not answer to that name. Open it by the address that it was "
                "started with: 127.0.0.1, localhost or a --host-name.",
            )
        return refuse_foreign_page(scope)


def _host(scope: Scope) -> str:
    named = [content for name, content in scope["headers"] if name == b"host"]
    host = named[0].decode("latin-1").lower() if len(named) == 1 else ""
    if host.startswith("[") and "]" in host:
        return host[: host.index("]") + 1]
    return host.partition(":")[0]


def list_headers(path: str, *, is_https: bool) -> list[tuple[bytes, bytes]]:
    """Return the headers that stand on the answer to a path, whatever its status [SEC-02]."""
    is_worker = path == _SERVICE_WORKERS
    policy = _CONTENT_SECURITY_OF_SERVICE_WORKER if is_worker else _CONTENT_SECURITY
    headers = [(b"content-security-policy", policy.encode()), *_HEADERS]
    if is_https:
        headers.append(_YEAR_OF_HTTPS)
    if path.startswith("/api/") or path == "/metrics":
        headers.append((b"cache-control", b"no-store"))
    return headers


def _with_headers(scope: Scope, send: Send, *, is_https: bool) -> Send:
    path = scope["path"]
    added = list_headers(path, is_https=is_https or scope["scheme"] == "https")

    async def send_with_headers(message: Message) -> None:
        if message["type"] == "http.response.start":
            if path.startswith(_NEVER_CHANGED) and message["status"] == HTTPStatus.OK:
                added.remove((b"cache-control", b"no-store"))
            names = {name for name, _ in added}
            kept = [header for header in message.get("headers", []) if header[0] not in names]
            message["headers"] = [*kept, *added]
        await send(message)

    return send_with_headers


async def _refuse(send: Send, status: HTTPStatus, sentence: str) -> None:
    content = problem_content(status, sentence)
    await send(
        {
            "type": "http.response.start",
            "status": status,
            "headers": [
                (b"content-type", CONTENT_TYPE.encode()),
                (b"content-length", str(len(content)).encode()),
                # A body that was not read to its end is not waited for.
                (b"connection", b"close"),
            ],
        }
    )
    await send({"type": "http.response.body", "body": content, "more_body": False})
