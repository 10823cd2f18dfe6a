"""What is found out about a request on its way through the server, laid beside it for the log."""

from dataclasses import dataclass
from typing import Any, cast

from litestar import Request
from litestar.types import Scope

METHODS = frozenset({"GET", "HEAD", "OPTIONS", "POST", "PUT", "PATCH", "DELETE"})
_KEY = "crura.notes"


@dataclass
class RequestNotes:
    """Which device has proved itself, the id of an error and where it arose; "" without one."""

    device: str = ""
    error: str = ""
    place: str = ""


def notes_of(scope: Scope) -> RequestNotes:
    """Return the notes of a request; the first who asks lays them there."""
    # What a scope may hold is not closed: the framework lays its own beside it.
    beside = cast("dict[str, object]", scope)
    notes = beside.get(_KEY)
    if not isinstance(notes, RequestNotes):
        notes = beside[_KEY] = RequestNotes()
    return notes


def note_device(request: Request[Any, Any, Any], device: str) -> None:
    """Note which device asks, once it has proved it."""
    notes_of(request.scope).device = device
