"""What the server notes of each request: one line of JSON, and numbers for the metrics.

A line holds what stands in `ALLOWED` and nothing else, each within a closed set or a shape of its
own: never a path, a query, a header, content, or the text of an error, which may hold what the
records of patients hold (SEC-20).
"""

import datetime
import re
from collections.abc import Callable, MutableMapping
from typing import Any

import structlog
from litestar.enums import ScopeType
from litestar.types import ASGIApp, HTTPScope, Message, Receive, Scope, Send

from api.environment import Environment
from api.routes.metrics import UnitMetrics
from api.routes.request_notes import METHODS, RequestNotes, notes_of
from api.storage.log_files import LogFiles

_ID = re.compile(r"[a-z0-9-]{1,32}")
_PLACE = re.compile(r"[A-Za-z]{1,60} at [A-Za-z0-9_.<>-]{1,60}:[0-9]{1,6}")
# As a route declares it; an address that no route takes has none.
_ROUTE = re.compile(r"/[A-Za-z0-9_./{}:-]{0,99}")
_TIME = re.compile(r"[0-9T:.-]{23}Z")
ALLOWED: dict[str, Callable[[Any], bool]] = {
    "time": lambda value: _fits(_TIME, value),
    "level": lambda value: value in ("info", "error"),
    "event": lambda value: value in ("started", "request", "stopped"),
    "method": lambda value: value in (*METHODS, "other"),
    "route": lambda value: _fits(_ROUTE, value),
    "status": lambda value: type(value) is int,
    "ms": lambda value: type(value) is int,
    "device": lambda value: _fits(_ID, value),
    "error": lambda value: _fits(_ID, value),
    "place": lambda value: _fits(_PLACE, value),
}


def _fits(shape: re.Pattern[str], value: object) -> bool:
    return isinstance(value, str) and shape.fullmatch(value) is not None


class RequestLog:
    """Wraps the whole application and notes each request when it ends."""

    def __init__(
        self,
        app: ASGIApp,
        *,
        environment: Environment,
        metrics: UnitMetrics,
        files: LogFiles | None,
    ) -> None:
        self._app = app
        self._environment = environment
        self._metrics = metrics
        self._logger: structlog.typing.FilteringBoundLogger = structlog.wrap_logger(
            _DayLog(files, environment),
            processors=[
                structlog.processors.add_log_level,
                self._add_time,
                keep_allowed,
                structlog.processors.JSONRenderer(sort_keys=True),
            ],
            wrapper_class=structlog.make_filtering_bound_logger("info"),
        )

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request and note it."""
        if scope["type"] == ScopeType.WEBSOCKET:
            await self._app(scope, receive, send)
            return
        began_ms = self._environment.now_ms()
        notes = notes_of(scope)
        status = 0

        async def send_noting(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = int(message["status"])
            await send(message)

        try:
            await self._app(scope, receive, send_noting)
        finally:
            self._note(scope, notes, status, began_ms)

    def note_event(self, event: str) -> None:
        """Note that the server started or stopped."""
        self._logger.info(event)

    def _note(self, scope: HTTPScope, notes: RequestNotes, status: int, began_ms: int) -> None:
        ms = max(0, self._environment.now_ms() - began_ms)
        method = scope["method"] if scope["method"] in METHODS else "other"
        route = str(scope.get("path_template") or "")
        self._metrics.count(method, route, status, ms)
        note = self._logger.error if notes.error else self._logger.info
        note(
            "request",
            method=method,
            route=route,
            status=status,
            ms=ms,
            device=notes.device,
            error=notes.error,
            place=notes.place,
        )

    def _add_time(
        self, _: object, __: str, content: MutableMapping[str, Any]
    ) -> MutableMapping[str, Any]:
        content["time"] = _write_time(self._environment.now_ms())
        return content


class _DayLog:
    """Puts each line of the log into the file of its day."""

    def __init__(self, files: LogFiles | None, environment: Environment) -> None:
        self._files = files
        self._environment = environment

    def info(self, line: str) -> None:
        """Write one line."""
        if self._files is not None:
            self._files.append(line, _write_time(self._environment.now_ms())[:10])

    error = info


def _write_time(moment_ms: int) -> str:
    moment = datetime.datetime.fromtimestamp(moment_ms / 1_000, datetime.UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def keep_allowed(_: object, __: str, content: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
    """Return what a line may hold; all else, and what does not fit, is left out."""
    return {
        name: value for name, value in content.items() if name in ALLOWED and ALLOWED[name](value)
    }
