"""The search of lots over HTTP, for devices that read care; each search is kept (HAZ-46)."""

from typing import Annotated, Any

import msgspec
from litestar import post
from litestar.di import Provide
from litestar.params import JSONBody

from api.routes.surroundings import Around, AskingDevice, provide_device
from api.use_cases.find_lots import LotSearch, find_lots_for, read_search
from api.use_cases.recall_letters import RecallLetters, list_recall_letters
from api.use_cases.server_log import Chance

Words = Annotated[str, msgspec.Meta(min_length=1, max_length=600)]


class SearchRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is searched for, by whom and why; the keys of ``search`` are those of RULES.md (LT)."""

    search: dict[str, Any]
    by: Words
    because: Words
    with_letters: bool = False


class FoundLots(msgspec.Struct, frozen=True):
    """What was found, and whom to write to where that was asked for."""

    found: LotSearch
    letters: RecallLetters | None


@post(
    "/api/implants/find",
    status_code=200,
    tags=["implants"],
    dependencies={"device": Provide(provide_device, sync_to_thread=True)},
    sync_to_thread=True,
)
def post_implant_search(
    device: AskingDevice, data: JSONBody[SearchRequest], around: Around
) -> FoundLots:
    """Find who has a device: the same lot, look-alikes, near ones, and those nobody knows."""
    environment = around.environment
    found = find_lots_for(
        around.store,
        device,
        read_search(data.search),
        on=around.today(),
        by=data.by,
        because=data.because,
        chance=Chance(
            new_id=environment.new_id(),
            new_epoch=environment.new_id(),
            salt=environment.new_salt(),
            now_ms=environment.now_ms(),
        ),
    )
    letters = None
    if data.with_letters:
        letters = list_recall_letters(around.store, found, time_zone=environment.time_zone)
    return FoundLots(found, letters)
