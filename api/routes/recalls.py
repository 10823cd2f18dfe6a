"""Recalls of the unit over HTTP: `crura recall` and `crura find-lot` beside a running server."""

import asyncio
from typing import Annotated, Any

import msgspec
from litestar import Request, post
from litestar.params import JSONBody

from api.routes.access_events import note_asker
from api.routes.implants import FoundLots, carry_found
from api.routes.surroundings import Around, is_of_machine
from api.use_cases.errors import UnknownDeviceError
from api.use_cases.find_lots import find_lots, read_search
from api.use_cases.name_handed_out import name_found
from api.use_cases.recalls import Touched, add_recall, list_touched, withdraw_recall

Words = Annotated[str, msgspec.Meta(min_length=1, max_length=600)]


class NoticeRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A notice as `add_recall` takes it."""

    criteria: dict[str, Any]
    item: str | None
    reason: Words
    issued_on: Annotated[str, msgspec.Meta(max_length=20)]
    by: Words


class WrittenNotice(msgspec.Struct, frozen=True):
    """The record of a notice that was written down."""

    record: str


class WithdrawalRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which notice is in force no longer, who says so, and why."""

    record: Annotated[str, msgspec.Meta(max_length=80)]
    by: Words
    because: Annotated[str, msgspec.Meta(max_length=600)]


class NoticesRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Who asks whom the notices touch."""

    by: Words


class LotSearchRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What `crura find-lot` searches for, by whom and why, and which letters it wants."""

    search: dict[str, Any]
    by: Words
    because: Words
    with_letters: bool = False
    with_pdf: bool = False


class TouchedByNotices(msgspec.Struct, frozen=True):
    """Every notice in force, and whom it touches."""

    notices: list[Touched]


@post("/api/recalls", include_in_schema=False, opt={"needs": "unit-recalls.write"})
async def post_recall(
    request: Request[Any, Any, Any], data: JSONBody[NoticeRequest], around: Around
) -> WrittenNotice:
    """Write a notice down; it is in force."""
    _refuse_strangers(request)
    record = await asyncio.to_thread(
        add_recall,
        around.store,
        data.criteria,
        item=data.item,
        reason=data.reason,
        issued_on=data.issued_on,
        by=data.by,
        chance=around.environment.draw_chance(),
    )
    # Whoever listens looks again: a tablet warns of the lot from now on.
    around.bell.ring()
    return WrittenNotice(record)


@post("/api/recall-withdrawals", include_in_schema=False, opt={"needs": "unit-recalls.withdraw"})
async def post_recall_withdrawal(
    request: Request[Any, Any, Any], data: JSONBody[WithdrawalRequest], around: Around
) -> WrittenNotice:
    """Say that a notice is in force no longer."""
    _refuse_strangers(request)
    await asyncio.to_thread(
        withdraw_recall,
        around.store,
        data.record,
        by=data.by,
        because=data.because,
        chance=around.environment.draw_chance(),
    )
    around.bell.ring()
    return WrittenNotice(data.record)


@post(
    "/api/recall-searches",
    include_in_schema=False,
    status_code=200,
    sync_to_thread=True,
    opt={"needs": "unit-recalls.search"},
)
def post_recall_search(
    request: Request[Any, Any, Any], data: JSONBody[NoticesRequest], around: Around
) -> TouchedByNotices:
    """Say of every notice in force whom it touches; each is a search that is kept (HAZ-46)."""
    _refuse_strangers(request)
    touched = list_touched(
        around.store,
        on=around.today(),
        by=data.by,
        draw_chance=around.environment.draw_chance,
    )
    named = name_found(*(one.found for one in touched))
    note_asker(request, around, "search", "implants", named, f"{data.by}: recall notices")
    return TouchedByNotices(touched)


@post(
    "/api/lot-searches",
    include_in_schema=False,
    status_code=200,
    sync_to_thread=True,
    opt={"needs": "unit-recalls.search"},
)
def post_lot_search(
    request: Request[Any, Any, Any], data: JSONBody[LotSearchRequest], around: Around
) -> FoundLots:
    """Find who has a device; the search is kept, and noted as one of the machine (HAZ-46)."""
    _refuse_strangers(request)
    found = find_lots(
        around.store,
        read_search(data.search),
        on=around.today(),
        by=data.by,
        because=data.because,
        chance=around.environment.draw_chance(),
    )
    why = f"{data.by}: {data.because}"
    note_asker(request, around, "search", "implants", name_found(found), why)
    return carry_found(around, found, with_letters=data.with_letters, with_pdf=data.with_pdf)


def _refuse_strangers(request: Request[Any, Any, Any]) -> None:
    if not is_of_machine(request):
        raise UnknownDeviceError("Recall notices are written by `crura recall` on the server.")
