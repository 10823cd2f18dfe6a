"""The search of lots over HTTP, for devices that read care; each search is kept (HAZ-46)."""

import base64
from typing import Annotated, Any

import msgspec
from litestar import Request, post
from litestar.params import JSONBody

from api.routes.access_events import note_asker
from api.routes.surroundings import BY_A_DEVICE, Around, AskingDevice, Surroundings
from api.use_cases.find_lots import LotSearch, find_lots_for, read_search
from api.use_cases.name_handed_out import name_found
from api.use_cases.recall_letters import (
    RecallLetter,
    RecallLetters,
    list_recall_letters,
    print_recall_letters,
)

Words = Annotated[str, msgspec.Meta(min_length=1, max_length=600)]


class SearchRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is searched for, by whom and why; the keys of ``search`` are those of RULES.md (LT).

    Parameters
    ----------
    with_letters, with_pdf : bool
        Tell whom to write to; and print a letter to each.
    entry : str
        ``lot_search/<id>`` by which the device has recorded this search, "" where it has not.
    """

    search: dict[str, Any]
    by: Words
    because: Words
    with_letters: bool = False
    with_pdf: bool = False
    entry: Annotated[str, msgspec.Meta(max_length=80)] = ""


class FoundLetters(msgspec.Struct, frozen=True):
    """Whom to write to, the same as CSV, and the letters: one PDF (base64, null without any)."""

    letters: list[RecallLetter]
    csv: str
    pdf: str | None


class FoundLots(msgspec.Struct, frozen=True):
    """What was found, and whom to write to where that was asked for."""

    found: LotSearch
    letters: FoundLetters | None


@post(
    "/api/implants/find",
    status_code=200,
    tags=["implants"],
    dependencies=BY_A_DEVICE,
    sync_to_thread=True,
    opt={"needs": "implants.search", "limit": "search"},
)
def post_implant_search(
    request: Request[Any, Any, Any],
    device: AskingDevice,
    data: JSONBody[SearchRequest],
    around: Around,
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
        entry=data.entry,
        chance=environment.draw_chance(),
    )
    why = f"{data.by}: {data.because}"
    note_asker(request, around, "search", "implants", name_found(found), why)
    return carry_found(around, found, with_letters=data.with_letters, with_pdf=data.with_pdf)


def carry_found(
    around: Surroundings, found: LotSearch, *, with_letters: bool, with_pdf: bool
) -> FoundLots:
    """Return what was found, with whom to write to where that is asked for."""
    time_zone = around.environment.time_zone
    letters = None
    if with_pdf:
        letters = print_recall_letters(around.store, found, on=around.today(), time_zone=time_zone)
    elif with_letters:
        letters = list_recall_letters(around.store, found, time_zone=time_zone)
    return FoundLots(found, _carry(letters) if letters else None)


def _carry(made: RecallLetters) -> FoundLetters:
    pdf = base64.b64encode(made.pdf).decode() if made.pdf is not None else None
    return FoundLetters(made.letters, made.csv, pdf)
