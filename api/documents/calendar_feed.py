"""A calendar feed (RFC 5545) of one place or one person: when and where, and nothing else.

No name, no birth date, no clinical word (HAZ-47). Everything follows from the log: a server that
was rebuilt from it gives the same bytes.
"""

import datetime
from collections.abc import Iterator
from zoneinfo import ZoneInfo

import icalendar
import msgspec

from api.clinical_rules.civil_date import add_days
from api.clinical_rules.clinic_facts import Clinic, Slot, VisitFacts
from api.documents.opaque_id import opaque_id

# Unit setting (project default): so long a cancelled visit stays in the feed, after its day, for
# the programs that fetch it seldom; and so long one that took place.
KEPT_DAYS = 60
# What RFC 5545, section 3.1, lets no text hold; it can come from an older or broken device.
_BLANK = dict.fromkeys((*range(9), *range(11, 32), 127), " ")
_CAME = ("booked", "attended", "no-show")


class FeedWords(msgspec.Struct, frozen=True):
    """What a unit sets for its feeds: the summary, and how long a visit lasts."""

    summary: str = "Clinic visit"
    minutes: int = 30


class FeedEvent(msgspec.Struct, frozen=True):
    """One visit as one feed shows it; `status` is CONFIRMED, TENTATIVE or CANCELLED."""

    visit: VisitFacts
    slot: Slot
    status: str


def choose_events(clinic: Clinic, *, scope: str, name: str, on: str) -> list[FeedEvent]:
    """Return what a feed shows, in order of time.

    Parameters
    ----------
    scope : str
        `place`: what is or was booked there. `person`: what that person holds or held.
    on : str
        Civil date of today: events of more than 60 days ago are left out.
    """
    find = _at_place if scope == "place" else _of_person
    found = [
        event
        for visit in (*clinic.visits, *clinic.struck_visits)
        for event in find(visit, name)
        if add_days(event.slot.on, KEPT_DAYS) >= on
    ]
    return sorted(found, key=lambda one: (one.slot.on, one.slot.time, one.visit.record))


def write_feed(events: list[FeedEvent], words: FeedWords) -> bytes:
    """Return the feed: UTF-8, folded lines, CRLF; times in UTC, so that no zone has to travel."""
    calendar = icalendar.Calendar()
    calendar.add("prodid", "-//Crura//Clinic calendar//EN")
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    for event in events:
        calendar.add_component(_write_event(event, words))
    return bytes(calendar.to_ical())


def _at_place(visit: VisitFacts, place: str) -> Iterator[FeedEvent]:
    rivals = [slot for slot in visit.rivals if slot.place == place]
    if rivals:
        yield FeedEvent(visit, rivals[-1], "TENTATIVE")
        return
    if visit.slot and visit.slot.place == place and (status := _status(visit, visit.slot)):
        yield FeedEvent(visit, visit.slot, status)
        return
    # Moved elsewhere, itself or its session, no longer booked, or struck: here it is cancelled.
    former = [slot for slot in visit.told_slots if slot.place == place]
    if former:
        yield FeedEvent(visit, former[-1], "CANCELLED")


def _of_person(visit: VisitFacts, person: str) -> Iterator[FeedEvent]:
    if person not in visit.owners or not visit.slots:
        return
    slot = visit.slot or visit.slots[-1]
    status = "" if visit.owner != person else "TENTATIVE" if visit.rivals else _status(visit, slot)
    yield FeedEvent(visit, slot, status or "CANCELLED")


def _status(visit: VisitFacts, slot: Slot) -> str:
    """Return how a visit stands in its slot, "" where it is off.

    Tentative until a person has settled it: two answers on what became of it, or a booking whose
    session does not take place on that day.
    """
    if "status" in visit.conflicts:
        return "TENTATIVE"
    if visit.status not in _CAME or (visit.seen_on or slot.on) < slot.on:
        return ""
    return "TENTATIVE" if visit.status == "booked" and not slot.is_held else "CONFIRMED"


def _write_event(event: FeedEvent, words: FeedWords) -> icalendar.Event:
    visit, slot = event.visit, event.slot
    written = icalendar.Event()
    written.add("uid", f"{opaque_id(visit.record)}@crura.invalid")
    written.add("sequence", visit.sequence)
    written.add("dtstamp", _moment(visit.changed_ms))
    written.add("last-modified", _moment(visit.changed_ms))
    begins = starts_at(slot)
    if begins is None:
        day = datetime.date.fromisoformat(slot.on)
        written.add("dtstart", day)
        written.add("dtend", day + datetime.timedelta(days=1))
    else:
        written.add("dtstart", begins)
        written.add("dtend", begins + datetime.timedelta(minutes=words.minutes))
    written.add("summary", words.summary.translate(_BLANK))
    if slot.place:
        written.add("location", slot.place.translate(_BLANK))
    written.add("status", event.status)
    written.add("class", "PRIVATE")
    written.add("transp", "TRANSPARENT" if event.status == "CANCELLED" else "OPAQUE")
    return written


def starts_at(slot: Slot) -> datetime.datetime | None:
    """Return when a slot begins, in UTC; None where no time of day is known.

    A time that the clock skips in spring counts as an hour later, one that comes twice in autumn
    as the first.
    """
    if not slot.time:
        return None
    local = datetime.datetime.fromisoformat(f"{slot.on}T{slot.time}:00")
    return local.replace(tzinfo=ZoneInfo(slot.time_zone)).astimezone(datetime.UTC)


def _moment(wall_ms: int) -> datetime.datetime:
    return datetime.datetime.fromtimestamp(wall_ms // 1_000, datetime.UTC)
