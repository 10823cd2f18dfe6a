"""What signed requests need around the application: the body as it travels, and the next nonce.

Outside of the wrapper that unpacks bodies, since a digest is over the bytes as sent (RFC 9530).
"""

import hashlib
from typing import Any

from litestar.enums import ScopeType
from litestar.types import ASGIApp, Message, Receive, ReceiveMessage, Scope, Send

_KEY = "crura.signed"
NONCE_HEADER = b"crura-nonce"


class SentBody:
    """The body of one request, hashed as it comes, and the nonce that goes with the answer."""

    def __init__(self) -> None:
        self._hash = hashlib.sha256()
        self.next_nonce = ""

    def add(self, content: bytes) -> None:
        """Take in a part of the body."""
        self._hash.update(content)

    def digest(self) -> bytes:
        """Return SHA-256 of what came so far: of the whole once the body was read."""
        return self._hash.digest()


class SignedShell:
    """Wraps the application: hashes bodies, and puts the next nonce on answers."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] == ScopeType.WEBSOCKET:
            await self._app(scope, receive, send)
            return
        body = SentBody()
        scope[_KEY] = body  # type: ignore[literal-required]

        async def receive_hashing() -> ReceiveMessage:
            message = await receive()
            if message["type"] == "http.request":
                body.add(message.get("body", b""))
            return message

        async def send_with_nonce(message: Message) -> None:
            if message["type"] == "http.response.start" and body.next_nonce:
                header = (NONCE_HEADER, body.next_nonce.encode())
                message["headers"] = [*message.get("headers", []), header]
            await send(message)

        await self._app(scope, receive_hashing, send_with_nonce)


def sent_body(scope: Any) -> SentBody:  # noqa: ANN401  scopes of every kind
    """Return the body of a request as it travels."""
    body: SentBody = scope[_KEY]
    return body
