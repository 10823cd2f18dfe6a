"""The access log over HTTP: devices hand in what they noted, auditors and data managers search."""

from typing import Annotated, Any

import msgspec
from litestar import Request, get, post
from litestar.di import Provide
from litestar.params import JSONBody, QueryParameter

from api.access.access_table import Asker
from api.routes.surroundings import Around, SendingDevice, provide_sender
from api.storage.access_log import AccessHead
from api.use_cases.errors import CalculationError
from api.use_cases.note_access import (
    NOTHING_NOTED,
    event_of,
    export_access_head,
    note_access,
)
from api.use_cases.receive_access import TakenLines, receive_access_lines
from api.use_cases.search_access import AccessSearch, FoundAccess, search_access
from api.use_cases.unit_day import read_unit_zone

Word = Annotated[str, QueryParameter(max_length=100)]
Day = Annotated[str, QueryParameter(max_length=10)]


class NotedLines(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Lines of one chain as the device wrote them, oldest first."""

    lines: Annotated[tuple[str, ...], msgspec.Meta(max_length=200)]


@post(
    "/api/access-events",
    status_code=200,
    tags=["access"],
    dependencies={"device": Provide(provide_sender, sync_to_thread=True)},
    sync_to_thread=True,
    opt={"needs": "access-events.note"},
)
def post_access_events(
    device: SendingDevice, data: JSONBody[NotedLines], around: Around
) -> TakenLines:
    """Take in what a device noted; the answer says which lines it may drop."""
    now_ms = around.environment.now_ms()
    return receive_access_lines(around.store, device, data.lines, now_ms=now_ms)


@get(
    "/api/access-events",
    tags=["access"],
    sync_to_thread=True,
    opt={"needs": "access-events.read", "limit": "search"},
)
def get_access_events(
    request: Request[Any, Any, Any],
    around: Around,
    patient: Word = "",
    person: Word = "",
    device: Word = "",
    from_on: Day = "",
    to_on: Day = "",
) -> FoundAccess:
    """Say who had whose record; the search itself is noted."""
    search = AccessSearch(
        patient=patient, person=person, device=device, from_on=from_on, to_on=to_on
    )
    note_asker(request, around, "search", "access-events", (patient,) if patient else ())
    zone = read_unit_zone(around.store, otherwise=around.environment.time_zone)
    return search_access(around.store, search, zone=zone)


@get(
    "/api/access-head",
    include_in_schema=False,
    sync_to_thread=True,
    opt={"needs": "access-events.read"},
)
def get_access_head(around: Around) -> AccessHead:
    """Sign where the trail ends, for `crura audit head`, which keeps it elsewhere."""
    head = export_access_head(around.store, at_ms=around.environment.now_ms())
    if head is None:
        raise CalculationError(NOTHING_NOTED)
    return head


def note_refusal(
    request: Request[Any, Any, Any],
    around: Around,
    verb: str,
    thing: str,
    device: str = "",
) -> None:
    """Note that whoever asks showed what is wrong, in a transaction of its own (AU7).

    Call it outside of the transaction that the refusal ends.
    """
    asker = request.state.get("asker", Asker("public"))
    at_ms = around.environment.now_ms()
    around.refusals.note(event_of(asker, verb, thing, at_ms=at_ms, outcome="wrong", device=device))


def note_asker(
    request: Request[Any, Any, Any],
    around: Around,
    verb: str,
    thing: str,
    records: tuple[str, ...] = (),
    why: str = "",
    device: str = "",
) -> Asker:
    """Note what whoever asks is about to be handed, and return who it is.

    Call it before the answer is made: where it cannot be noted, nothing is handed out (AU5).
    """
    asker: Asker = request.state["asker"]
    note_access(
        around.store,
        event_of(
            asker,
            verb,
            thing,
            at_ms=around.environment.now_ms(),
            records=records,
            why=why,
            device=device,
        ),
    )
    return asker
