"""Pseudonymised exports of a hub over HTTP: asked for by one person, approved by another."""

from typing import Annotated, Any, Literal

import msgspec
from litestar import Request, Response, get, post
from litestar.params import JSONBody, QueryParameter

from api.routes.access_events import note_asker
from api.routes.surroundings import Around
from api.use_cases.export_outlook import ExportOutlook, look_ahead
from api.use_cases.network_exports import (
    ExportRow,
    ask_for_export,
    decide_export,
    list_exports,
    read_archive,
)

KEY_BYTES = 32
_Text = Annotated[str, msgspec.Meta(max_length=500)]
_Id = Annotated[str, msgspec.Meta(max_length=64)]
_Day = Annotated[str, msgspec.Meta(max_length=10)]


class Exports(msgspec.Struct, frozen=True):
    """Every export that was ever asked for, the latest first."""

    exports: list[ExportRow]


class NewExport(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is asked for; days of treatment as the hub holds them, "" for no end."""

    project: Annotated[str, msgspec.Meta(max_length=100)]
    purpose: _Text
    from_on: _Day = ""
    until_on: _Day = ""


class ExportDecision(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Approve an export, which makes it, or refuse it for a reason."""

    export: _Id
    decision: Literal["approve", "refuse"]
    because: _Text = ""


@get(
    "/api/network/exports",
    tags=["network"],
    sync_to_thread=True,
    opt={"needs": "network-exports.read"},
)
def get_exports(request: Request[Any, Any, Any], around: Around) -> Exports:
    """Say which exports were asked for, by whom, for what, and what became of them."""
    return Exports(list_exports(around.store, viewer=request.state["asker"].id))


@post(
    "/api/network/exports",
    status_code=200,
    tags=["network"],
    sync_to_thread=True,
    opt={"needs": "network-exports.ask"},
)
def post_export(
    request: Request[Any, Any, Any], data: JSONBody[NewExport], around: Around
) -> Exports:
    """Ask for an export; nothing is made before another person approves it."""
    why = f"{data.project}: {data.purpose}"
    by = note_asker(request, around, "ask", "network-exports", why=why).id
    environment = around.environment
    ask_for_export(
        around.store,
        project=data.project,
        purpose=data.purpose,
        from_on=data.from_on,
        until_on=data.until_on,
        by=by,
        new_id=environment.new_id(),
        now_ms=environment.now_ms(),
    )
    return Exports(list_exports(around.store, viewer=by))


@get(
    "/api/network/export-outlook",
    tags=["network"],
    sync_to_thread=True,
    opt={"needs": "network-exports.read"},
)
def get_export_outlook(
    request: Request[Any, Any, Any],
    around: Around,
    export: Annotated[str, QueryParameter(max_length=64)] = "",
) -> ExportOutlook:
    """Say what an export that waits would hold; of none in particular, what every export holds."""
    note_asker(request, around, "read", "network-exports", why=export)
    environment = around.environment
    return look_ahead(
        around.store,
        export,
        draw_key=lambda: environment.draw_bytes(KEY_BYTES),
        now_ms=environment.now_ms(),
    )


@post(
    "/api/network/export-decisions",
    status_code=200,
    tags=["network"],
    sync_to_thread=True,
    opt={"needs": "network-exports.decide"},
)
def post_export_decision(
    request: Request[Any, Any, Any], data: JSONBody[ExportDecision], around: Around
) -> Exports:
    """Approve an export that another person asked for, or refuse it."""
    why = f"{data.decision} {data.export}: {data.because}"
    by = note_asker(request, around, "decide", "network-exports", why=why).id
    environment = around.environment
    decide_export(
        around.store,
        data.export,
        decision=data.decision,
        because=data.because,
        by=by,
        draw_key=lambda: environment.draw_bytes(KEY_BYTES),
        now_ms=environment.now_ms(),
        today=around.today(),
    )
    return Exports(list_exports(around.store, viewer=by))


@get(
    "/api/network/export-files",
    tags=["network"],
    sync_to_thread=True,
    opt={"needs": "network-exports.fetch"},
)
def get_export_files(
    request: Request[Any, Any, Any],
    around: Around,
    export: Annotated[str, QueryParameter(max_length=64)],
) -> Response[bytes]:
    """Hand out the files of an export that was approved, as one archive; each time is noted."""
    note_asker(request, around, "export", "network-exports", why=export)
    archive = read_archive(around.store, export)
    return Response(
        archive,
        media_type="application/zip",
        headers={
            "content-disposition": 'attachment; filename="crura-export.zip"',
            "cache-control": "no-store",
        },
    )
