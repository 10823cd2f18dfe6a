"""One line of HTTP/1.1 that waits for nobody who says nothing, and refuses like every answer.

The server's own protocol waits without end for the head of a request, and answers what is no HTTP
without our headers (SEC-02, THR-D1).
"""

import asyncio
from http import HTTPStatus

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

from api.routes.error_responses import CONTENT_TYPE, problem_content
from api.routes.outer_shell import list_headers

# Project default, no source: a head is one packet or two.
MAX_HEAD_SECONDS = 15.0
MAX_HEAD_BYTES = 32 * 1024


class HttpLine(H11Protocol):
    """A line whose head must come in time; bodies are timed by `bounded_body`."""

    _head_timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Wait for the first head from now on."""
        super().connection_made(transport)
        self._watch_head()

    def data_received(self, data: bytes) -> None:
        """Take bytes; a head that has begun must end in time, however slowly they drip."""
        super().data_received(data)
        self._watch_head()

    def connection_lost(self, exc: Exception | None) -> None:
        """Let go of the line."""
        self._forget_timer()
        super().connection_lost(exc)

    def send_400_response(self, msg: str) -> None:
        """Refuse what is no HTTP, with the headers of every answer."""
        content = problem_content(
            HTTPStatus.BAD_REQUEST,
            "This is no HTTP request that the server can read. Open the address with a browser.",
        )
        headers = [
            (b"content-type", CONTENT_TYPE.encode()),
            (b"content-length", str(len(content)).encode()),
            (b"connection", b"close"),
            *list_headers("/api/", is_https=self.scheme == "https"),
        ]
        for event in (
            h11.Response(
                status_code=HTTPStatus.BAD_REQUEST, headers=headers, reason=b"Bad Request"
            ),
            h11.Data(data=content),
            h11.EndOfMessage(),
        ):
            self.transport.write(self.conn.send(event) or b"")
        self.transport.close()

    def _watch_head(self) -> None:
        is_waiting = self.cycle is None or self.cycle.response_complete
        if not is_waiting:
            self._forget_timer()
        elif self._head_timer is None:
            self._head_timer = self.loop.call_later(MAX_HEAD_SECONDS, self._give_up)

    def _give_up(self) -> None:
        self._head_timer = None
        if (self.cycle is None or self.cycle.response_complete) and not self.transport.is_closing():
            self.transport.close()

    def _forget_timer(self) -> None:
        if self._head_timer is not None:
            self._head_timer.cancel()
            self._head_timer = None
