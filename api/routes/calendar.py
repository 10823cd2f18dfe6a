"""Calendar feeds over HTTP: opened by a token in the address, made by a device or by commands."""

import hashlib
from typing import Annotated, Any

import msgspec
from litestar import Request, Response, get, post
from litestar.exceptions import NotFoundException
from litestar.params import FromPath, JSONBody

from api.routes.surroundings import Around, is_of_machine, provide_device
from api.storage.calendar_tokens import CalendarToken
from api.use_cases.calendars import (
    MadeCalendar,
    Scope,
    add_calendar,
    answer_calendar,
    list_calendars,
    revoke_calendar,
)

_ENDING = ".ics"
_MAX_TOKEN = 128


@get(
    "/calendar/{name:str}",
    include_in_schema=False,
    sync_to_thread=True,
    opt={"needs": "calendar-feed.read"},
)
def get_calendar(
    request: Request[Any, Any, Any], name: FromPath[str], around: Around
) -> Response[bytes]:
    """Answer with the feed; a token that is unknown or revoked finds nothing at this address."""
    if not name.endswith(_ENDING) or len(name) > _MAX_TOKEN:
        raise NotFoundException
    environment = around.environment
    content = answer_calendar(
        around.store,
        name.removesuffix(_ENDING),
        on=around.today(),
        time_zone=environment.time_zone,
    )
    if content is None:
        raise NotFoundException
    etag = f'"{hashlib.sha256(content).hexdigest()[:32]}"'
    headers = {"etag": etag, "cache-control": "private, no-cache", "x-robots-tag": "noindex"}
    if etag in request.headers.get("if-none-match", ""):
        return Response(b"", status_code=304, headers=headers, media_type="text/calendar")
    return Response(content, headers=headers, media_type="text/calendar")


class CalendarRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Whose sessions the feed tells: those of a place, or of a person, ``staff/<id>``."""

    scope: Scope
    name: Annotated[str, msgspec.Meta(min_length=1, max_length=200)]


class CalendarRevocation(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which feed to close, by its id."""

    calendar: Annotated[str, msgspec.Meta(max_length=64)]


class Calendars(msgspec.Struct, frozen=True):
    """Every feed, without its token."""

    calendars: list[CalendarToken]


@post("/api/calendars", tags=["clinic"], sync_to_thread=True, opt={"needs": "calendars.make"})
def post_calendar(
    request: Request[Any, Any, Any], data: JSONBody[CalendarRequest], around: Around
) -> MadeCalendar:
    """Make a feed of a place or a person; its token is told this one time (FU-09)."""
    _refuse_strangers(request, around)
    environment = around.environment
    return add_calendar(
        around.store,
        data.scope,
        data.name,
        token=environment.new_token(),
        new_id=environment.new_id(),
        now_ms=environment.now_ms(),
    )


@post(
    "/api/calendar-revocations",
    tags=["clinic"],
    sync_to_thread=True,
    opt={"needs": "calendars.close"},
)
def post_calendar_revocation(
    request: Request[Any, Any, Any], data: JSONBody[CalendarRevocation], around: Around
) -> Calendars:
    """Close a feed for good, and list all of them."""
    _refuse_strangers(request, around)
    revoke_calendar(around.store, data.calendar, now_ms=around.environment.now_ms())
    return Calendars(list_calendars(around.store))


@get("/api/calendars", tags=["clinic"], sync_to_thread=True, opt={"needs": "calendars.read"})
def get_calendars(request: Request[Any, Any, Any], around: Around) -> Calendars:
    """List the feeds, without their tokens."""
    _refuse_strangers(request, around)
    return Calendars(list_calendars(around.store))


def _refuse_strangers(request: Request[Any, Any, Any], around: Around) -> None:
    """Let pass a device of the unit, and a command that holds the key of the data folder."""
    if not is_of_machine(request):
        provide_device(request, around)
