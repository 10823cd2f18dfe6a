"""Which error becomes which status: problem details of RFC 9457 with one clear sentence."""

import logging
import traceback
from http import HTTPStatus
from pathlib import Path
from typing import Any

import msgspec
from litestar import Request, Response
from litestar.exceptions import (
    HTTPException,
    MethodNotAllowedException,
    NotFoundException,
    ValidationException,
)
from litestar.types import ExceptionHandlersMap

from api.routes.bounded_body import BodyRefusedError
from api.routes.request_notes import METHODS, notes_of
from api.storage.errors import DiskFullError, StorageError
from api.use_cases.errors import (
    CalculationError,
    DeviceRevokedError,
    DeviceWaitingError,
    JoinRefusedError,
    NonceRefusedError,
    NoSuchPictureError,
    NoSuchSegmentError,
    NotAllowedError,
    PictureRefusedError,
    TooLargeError,
    TooManyTriesError,
    UnknownDeviceError,
    UnknownPersonError,
    UnnamedPictureError,
    UnreadablePushError,
    UseCaseError,
)

_LOG = logging.getLogger("crura")
CONTENT_TYPE = "application/problem+json"
_STATUS: dict[type[UseCaseError], HTTPStatus] = {
    UnknownDeviceError: HTTPStatus.UNAUTHORIZED,
    UnknownPersonError: HTTPStatus.UNAUTHORIZED,
    NonceRefusedError: HTTPStatus.UNAUTHORIZED,
    NotAllowedError: HTTPStatus.FORBIDDEN,
    DeviceWaitingError: HTTPStatus.FORBIDDEN,
    DeviceRevokedError: HTTPStatus.FORBIDDEN,
    JoinRefusedError: HTTPStatus.FORBIDDEN,
    TooManyTriesError: HTTPStatus.TOO_MANY_REQUESTS,
    TooLargeError: HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
    UnreadablePushError: HTTPStatus.UNPROCESSABLE_ENTITY,
    NoSuchSegmentError: HTTPStatus.NOT_FOUND,
    NoSuchPictureError: HTTPStatus.NOT_FOUND,
    UnnamedPictureError: HTTPStatus.CONFLICT,
    PictureRefusedError: HTTPStatus.UNPROCESSABLE_ENTITY,
    CalculationError: HTTPStatus.UNPROCESSABLE_ENTITY,
}
# What an app acts on by itself; every other problem is for a person alone.
_TYPES: dict[type[UseCaseError], str] = {
    NonceRefusedError: "/problems/nonce",
    DeviceWaitingError: "/problems/device-waiting",
    DeviceRevokedError: "/problems/device-revoked",
}
_WHAT_IS_EXPECTED = "`crura describe-interface` says what is expected."
_SENTENCES = {
    HTTPStatus.NOT_FOUND: "There is nothing at this address. Check it, or start at /.",
    HTTPStatus.METHOD_NOT_ALLOWED: f"This address takes other methods; {_WHAT_IS_EXPECTED}",
    HTTPStatus.REQUEST_ENTITY_TOO_LARGE: "The request is too large. Send it in smaller parts.",
}
BROKEN = "Something went wrong here and nothing was written. Try again, then tell the data manager."


def problem_content(status: int, detail: str, extra: dict[str, Any] | None = None) -> bytes:
    """Return problem details as JSON."""
    return msgspec.json.encode(
        {
            "type": "about:blank",
            "title": HTTPStatus(status).phrase,
            "status": status,
            "detail": detail,
            **(extra or {}),
        }
    )


def describe_refusal(error: CalculationError) -> dict[str, Any]:
    """Return the problem details of a refused calculation, as they are sent."""
    extra = {"answer": error.answer} if error.answer else {}
    content: dict[str, Any] = msgspec.json.decode(
        problem_content(_STATUS[CalculationError], str(error), extra)
    )
    return content


def _respond(status: int, detail: str, extra: dict[str, Any] | None = None) -> Response[bytes]:
    headers = {}
    if status in (HTTPStatus.TOO_MANY_REQUESTS, HTTPStatus.SERVICE_UNAVAILABLE):
        headers["retry-after"] = "60"
    if status == HTTPStatus.UNAUTHORIZED:
        headers["www-authenticate"] = "Bearer"
    return Response(
        problem_content(status, detail, extra),
        status_code=status,
        media_type=CONTENT_TYPE,
        headers=headers,
    )


def _answer_use_case(_: Request[Any, Any, Any], error: UseCaseError) -> Response[bytes]:
    status = _STATUS.get(type(error), HTTPStatus.BAD_REQUEST)
    extra: dict[str, Any] = {}
    if isinstance(error, CalculationError) and error.answer:
        extra = {"answer": error.answer}
    if type(error) in _TYPES:
        extra = {"type": _TYPES[type(error)]}
    if isinstance(error, DeviceRevokedError):
        extra |= msgspec.to_builtins(error.told)
    response = _respond(status, str(error), extra)
    if isinstance(error, TooManyTriesError):
        response.headers["retry-after"] = str(error.retry_after_s)
    return response


def _answer_storage(request: Request[Any, Any, Any], error: StorageError) -> Response[bytes]:
    is_full = isinstance(error, DiskFullError)
    status = HTTPStatus.INSUFFICIENT_STORAGE if is_full else HTTPStatus.SERVICE_UNAVAILABLE
    return _respond(status, str(error), {"error": _note_error(request, error)})


def _answer_refused_body(_: Request[Any, Any, Any], error: BodyRefusedError) -> Response[bytes]:
    response = _respond(error.status, error.sentence)
    # The rest of the body is not waited for.
    response.headers["connection"] = "close"
    return response


def _answer_validation(_: Request[Any, Any, Any], error: ValidationException) -> Response[bytes]:
    found = error.extra[0] if isinstance(error.extra, list) and error.extra else {}
    where = str(found.get("key") or "") if isinstance(found, dict) else ""
    why = str(found.get("message") or "") if isinstance(found, dict) else ""
    if where == "data":
        where = ""
        why = "it has no content" if why == "'data'" else why
    named = f" ({': '.join(part for part in (where, why) if part)})" if where or why else ""
    detail = f"The request cannot be read{named}. Correct it; {_WHAT_IS_EXPECTED}"
    return _respond(HTTPStatus.UNPROCESSABLE_ENTITY, detail)


def _answer_http(request: Request[Any, Any, Any], error: HTTPException) -> Response[bytes]:
    status = HTTPStatus(error.status_code)
    if status >= HTTPStatus.INTERNAL_SERVER_ERROR:
        return _answer_unexpected(request, error)
    if status is HTTPStatus.BAD_REQUEST:
        # What cannot even be decoded; litestar words it for programmers.
        detail = f"The request cannot be read as JSON. Correct it; {_WHAT_IS_EXPECTED}"
        return _respond(HTTPStatus.UNPROCESSABLE_ENTITY, detail)
    response = _respond(status, _SENTENCES.get(status, f"{status.phrase}; {_WHAT_IS_EXPECTED}"))
    if isinstance(error, MethodNotAllowedException) and error.headers:
        response.headers.update(error.headers)
    return response


def _answer_no_text(_: Request[Any, Any, Any], __: UnicodeDecodeError) -> Response[bytes]:
    # Bytes that changed on the way; nothing of ours decodes text but the request.
    detail = "The request is not UTF-8 text. Send it again."
    return _respond(HTTPStatus.UNPROCESSABLE_ENTITY, detail)


def _note_error(request: Request[Any, Any, Any], error: Exception) -> str:
    """Note an error where the log is read and return its id, by which it is found there.

    Neither its message nor the path: both may hold what patients' records hold (SEC-20).
    """
    frames = traceback.extract_tb(error.__traceback__)
    place = f"{Path(frames[-1].filename).name}:{frames[-1].lineno}" if frames else "nowhere:0"
    notes = notes_of(request.scope)
    notes.error = request.app.state.surroundings.environment.new_id()
    notes.place = f"{type(error).__name__} at {place}"
    route = request.scope.get("path_template", "")
    method = request.method if request.method in METHODS else "other"
    _LOG.error("%s in %s %s (error %s)", notes.place, method, route, notes.error)
    return notes.error


def _answer_unexpected(request: Request[Any, Any, Any], error: Exception) -> Response[bytes]:
    found = _note_error(request, error)
    sentence = f"{BROKEN.removesuffix('.')} of error {found}."
    return _respond(HTTPStatus.INTERNAL_SERVER_ERROR, sentence, {"error": found})


EXCEPTION_HANDLERS: ExceptionHandlersMap = {
    UseCaseError: _answer_use_case,
    StorageError: _answer_storage,
    BodyRefusedError: _answer_refused_body,
    ValidationException: _answer_validation,
    NotFoundException: _answer_http,
    HTTPException: _answer_http,
    UnicodeDecodeError: _answer_no_text,
    Exception: _answer_unexpected,
}
