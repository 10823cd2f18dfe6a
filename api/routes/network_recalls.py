"""Recalls of the network over HTTP, at the hub: written, withdrawn, and how each unit stands."""

from typing import Annotated, Any, Literal

import msgspec
from litestar import MediaType, Request, Response, get, post
from litestar.params import JSONBody, QueryParameter

from api.routes.access_events import note_asker
from api.routes.surroundings import Around, Surroundings
from api.use_cases.count_recalled import RecallCounts, count_for
from api.use_cases.list_network_recalls import (
    NetworkNotice,
    list_network_recalls,
    show_network_recall,
    write_answers_csv,
)
from api.use_cases.network_recalls import add_network_recall, withdraw_network_recall

_Name = Annotated[str, msgspec.Meta(max_length=105)]
_Label = Annotated[str, msgspec.Meta(max_length=100)]
_Lots = Annotated[tuple[_Label, ...], msgspec.Meta(max_length=200)]
_Words = Annotated[str, msgspec.Meta(max_length=600)]
_Units = Annotated[tuple[_Label, ...], msgspec.Meta(max_length=2_000)]
_Item = Literal["", "coil", "needle", "adhesive"]


class NamedCriteria(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a notice names; what is empty narrows nothing."""

    identifier: _Label = ""
    lots: _Lots = ()
    expires_from: _Label = ""
    expires_to: _Label = ""

    def named(self) -> dict[str, Any]:
        """Return what is named, as a notice keeps it."""
        held = {**msgspec.structs.asdict(self), "lots": list(self.lots)}
        return {name: value for name, value in held.items() if value}


class NewNotice(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A notice to write; ``to`` none is for all units."""

    criteria: NamedCriteria
    reason: _Words
    issued_on: _Label
    item: _Item = ""
    to: _Units = ()


class CountRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What to count by before a notice is written."""

    criteria: NamedCriteria
    item: _Item = ""


class NoticeEnd(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which notice is withdrawn, and why."""

    notice: _Name
    because: _Words


class NetworkNotices(msgspec.Struct, frozen=True):
    """Every notice of the network."""

    notices: list[NetworkNotice]


@get(
    "/api/network/recalls",
    tags=["network"],
    sync_to_thread=True,
    opt={"needs": "network-recalls.read"},
)
def get_network_recalls(request: Request[Any, Any, Any], around: Around) -> NetworkNotices:
    """List the notices of the network with the answers of its units."""
    note_asker(request, around, "read", "network-recalls")
    return _list(around)


@post(
    "/api/network/recalls",
    status_code=200,
    tags=["network"],
    sync_to_thread=True,
    opt={"needs": "network-recalls.write"},
)
def post_network_recall(
    request: Request[Any, Any, Any], data: JSONBody[NewNotice], around: Around
) -> NetworkNotices:
    """Write a notice for units down."""
    asker = note_asker(request, around, "write", "network-recalls", why=data.reason)
    add_network_recall(
        around.store,
        data.criteria.named(),
        item=data.item or None,
        reason=data.reason,
        issued_on=data.issued_on,
        to=data.to,
        by=asker.id,
        chance=around.draw_chance(),
    )
    return _list(around)


@post(
    "/api/network/recall-counts",
    status_code=200,
    tags=["network"],
    sync_to_thread=True,
    opt={"needs": "network-recalls.read"},
)
def post_recall_count(
    request: Request[Any, Any, Any], data: JSONBody[CountRequest], around: Around
) -> RecallCounts:
    """Count the devices of each unit that a notice would name, each up to the next five.

    Nothing is written but who counted, and by what.
    """
    named = msgspec.json.encode(data.criteria.named()).decode()
    note_asker(request, around, "search", "network-recalls", why=f"{data.item} {named}".strip())
    return count_for(around.store, data.criteria.named(), item=data.item or None)


@post(
    "/api/network/recall-ends",
    status_code=200,
    tags=["network"],
    sync_to_thread=True,
    opt={"needs": "network-recalls.write"},
)
def post_recall_end(
    request: Request[Any, Any, Any], data: JSONBody[NoticeEnd], around: Around
) -> NetworkNotices:
    """Withdraw a notice."""
    asker = note_asker(request, around, "withdraw", "network-recalls", (data.notice,), data.because)
    withdraw_network_recall(
        around.store,
        data.notice,
        by=asker.id,
        because=data.because,
        chance=around.draw_chance(),
    )
    return _list(around)


@get(
    "/api/network/recall-csv",
    tags=["network"],
    sync_to_thread=True,
    opt={"needs": "network-recalls.read"},
    media_type=MediaType.TEXT,
)
def get_recall_csv(
    request: Request[Any, Any, Any],
    around: Around,
    notice: Annotated[str, QueryParameter(max_length=105)],
) -> Response[str]:
    """Return how each unit stands towards a notice, as CSV."""
    note_asker(request, around, "export", "network-recalls", (notice,))
    found = show_network_recall(around.store, notice, now_ms=around.environment.now_ms())
    return Response(
        write_answers_csv(found),
        media_type="text/csv; charset=utf-8",
        headers={"content-disposition": 'attachment; filename="recall.csv"'},
    )


def _list(around: Surroundings) -> NetworkNotices:
    now_ms = around.environment.now_ms()
    return NetworkNotices(list_network_recalls(around.store, now_ms=now_ms))
