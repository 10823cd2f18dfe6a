"""Letters and reminders over HTTP, for every device of the unit: name and contact, no finding."""

import base64
from typing import Annotated, Any

import msgspec
from litestar import Request, get, post
from litestar.params import FromQuery, JSONBody

from api.documents.contact_bars import Expected
from api.documents.letter_words import LetterKind
from api.record_catalogue.record_names import VisitName
from api.routes.access_events import note_asker
from api.routes.surroundings import (
    BY_A_DEVICE_OR_COMMAND,
    Around,
    DeviceOrCommand,
)
from api.use_cases.list_reminders import Reminders, list_reminders
from api.use_cases.make_letters import MAX_LETTERS, MadeLetter, Withheld, make_letters


class LetterRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which letter, about which visits.

    ``visits`` are records, or a record with the day and time of the booking as it was seen: where
    that is another one by now, the letter is withheld.
    """

    kind: LetterKind
    visits: Annotated[
        list[VisitName | Expected], msgspec.Meta(min_length=1, max_length=MAX_LETTERS)
    ]


class Letters(msgspec.Struct, frozen=True):
    """The letters: one PDF (base64, null without a letter), its pages, and what was withheld."""

    pdf: str | None
    letters: list[MadeLetter]
    withheld: list[Withheld]


@post(
    "/api/letters",
    status_code=200,
    tags=["clinic"],
    dependencies=BY_A_DEVICE_OR_COMMAND,
    sync_to_thread=True,
    opt={"needs": "letters.make"},
)
def post_letters(
    request: Request[Any, Any, Any],
    device: DeviceOrCommand,
    data: JSONBody[LetterRequest],
    around: Around,
) -> Letters:
    """Make letters as the visits stand now; the state is looked at again for each (HAZ-45)."""
    visits = [Expected(one) if isinstance(one, str) else one for one in data.visits]
    note_asker(request, around, "export", "letters", tuple(one.visit for one in visits))
    environment = around.environment
    made = make_letters(
        around.store,
        visits,
        data.kind,
        on=around.today(),
        time_zone=environment.time_zone,
    )
    pdf = base64.b64encode(made.pdf).decode() if made.pdf is not None else None
    return Letters(pdf, made.letters, made.withheld)


@get(
    "/api/reminders",
    tags=["clinic"],
    dependencies=BY_A_DEVICE_OR_COMMAND,
    sync_to_thread=True,
    opt={"needs": "letters.read"},
)
def get_reminders(
    request: Request[Any, Any, Any],
    device: DeviceOrCommand,
    around: Around,
    from_on: FromQuery[str | None] = None,
    until_on: FromQuery[str | None] = None,
) -> Reminders:
    """List the reminders that fall due on some days, with the same as CSV."""
    note_asker(request, around, "read", "reminders")
    environment = around.environment
    return list_reminders(
        around.store,
        from_on=from_on,
        until_on=until_on,
        on=around.today(),
        time_zone=environment.time_zone,
    )
