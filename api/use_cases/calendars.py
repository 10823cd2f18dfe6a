"""Calendar feeds: make and revoke their tokens, and answer with a feed (FU-09, HAZ-47)."""

from typing import Literal

import msgspec

from api.documents.calendar_feed import FeedWords, choose_events, write_feed
from api.storage.calendar_tokens import CalendarToken
from api.storage.unit_store import UnitStore
from api.use_cases.errors import NotAllowedError
from api.use_cases.read_clinic import read_clinic
from api.use_cases.unit_settings import read_unit_settings
from sync.merge import shown_value

Scope = Literal["place", "person"]


class MadeCalendar(msgspec.Struct, frozen=True):
    """A new feed; the token is shown this one time."""

    id: str
    token: str


def add_calendar(
    store: UnitStore, scope: Scope, name: str, *, token: str, new_id: str, now_ms: int
) -> MadeCalendar:
    """Make a feed of one place or one person.

    Raises
    ------
    NotAllowedError
        The unit has no session at such a place, or nobody of this id works here.
    """
    with store.transaction():
        known = _places(store) if scope == "place" else _staff(store)
        if name not in known:
            listed = ", ".join(sorted(known)) or "none yet"
            what = "place" if scope == "place" else "person"
            message = f"The unit knows no {what} {name[:60]!r}. Name one of: {listed}."
            raise NotAllowedError(message)
        store.calendars.keep(token, CalendarToken(new_id, scope, name, now_ms, None))
    return MadeCalendar(new_id, token)


def list_calendars(store: UnitStore) -> list[CalendarToken]:
    """Return every feed that was made, also those revoked, without their tokens."""
    with store.transaction():
        return store.calendars.listed()


def revoke_calendar(store: UnitStore, calendar: str, *, now_ms: int) -> None:
    """Close a feed for good.

    Raises
    ------
    NotAllowedError
        There is no open feed of this id.
    """
    with store.transaction():
        is_found = store.calendars.revoke(calendar, revoked_ms=now_ms)
    if not is_found:
        message = f"There is no open calendar {calendar[:24]!r}. See `crura calendar list`."
        raise NotAllowedError(message)


def answer_calendar(store: UnitStore, token: str, *, on: str, time_zone: str) -> bytes | None:
    """Return the feed that a token opens; None where it opens nothing."""
    with store.transaction():
        opened = store.calendars.find(token)
    if opened is None:
        return None
    settings = read_unit_settings(store, on=on)
    clinic = read_clinic(store, time_zone=time_zone)
    events = choose_events(clinic, scope=opened.scope, name=opened.name, on=on)
    return write_feed(events, FeedWords(settings.calendar_summary, settings.calendar_minutes))


def _places(store: UnitStore) -> set[str]:
    states = store.views.of_kind("clinic_session")
    found = (shown_value(state.fields.get("place")) for state in states)
    return {place for place in found if isinstance(place, str) and place}


def _staff(store: UnitStore) -> set[str]:
    return {state.record for state in store.views.of_kind("staff") if not state.is_entered_in_error}
