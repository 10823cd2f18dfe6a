"""Note an access event: nothing is read, searched, exported or unlocked without one."""

from collections.abc import Iterable

import msgspec

from api.access.access_table import Asker as WhoAsks
from api.record_catalogue.record_names import is_record_name
from api.storage.access_log import (
    DAY_MS,
    AccessEvent,
    AccessHead,
    AccessLine,
    Asker,
    Outcome,
    sign_access_head,
)
from api.storage.unit_store import UnitStore

__all__ = [
    "AccessEvent",
    "Asker",
    "Outcome",
    "event_of",
    "export_access_head",
    "note_access",
    "note_read",
]

# A line is read by people: more of it than this helps nobody.
MOST_RECORDS = 500
MOST_LETTERS = 500
NO_RECORD = "(no record)"
NOTHING_NOTED = "Nothing was noted yet, so that there is no end to sign. Try again tomorrow."


def note_access(store: UnitStore, event: AccessEvent, *, noted_ms: int | None = None) -> AccessLine:
    """Add an event to the chain of the unit; joins the caller's transaction or makes its own.

    Call it before what it tells of is handed out: where the disk refuses, nothing is.

    Parameters
    ----------
    noted_ms : int or None
        The unit's clock where ``event.at_ms`` is by another one.

    Raises
    ------
    StorageError
        The disk refuses; nothing was noted.

    Notes
    -----
    Rules AU1, AU2, AU5. What names no record is not kept; of a long list of records or a long
    reason the beginning is kept, and how much more there was.
    """
    now_ms = event.at_ms if noted_ms is None else noted_ms
    with store.transaction():
        _sign_day_before(store, now_ms)
        return store.access.append(_shorten(event), noted_ms=now_ms)


def event_of(
    asker: WhoAsks,
    verb: str,
    thing: str,
    *,
    at_ms: int,
    records: Iterable[str] = (),
    why: str = "",
    outcome: Outcome = "done",
    device: str = "",
) -> AccessEvent:
    """Return what whoever asks did, as a line tells it."""
    return AccessEvent(
        at_ms=at_ms,
        asker=asker.kind,
        who=asker.id,
        role=asker.role,
        verb=verb,
        object=thing,
        records=tuple(records),
        why=why,
        outcome=outcome,
        device=device,
    )


def note_read(
    store: UnitStore,
    who: str,
    records: Iterable[str],
    *,
    at_ms: int,
    role: str = "",
    asker: Asker = "device",
    verb: str = "read",
    object: str = "patient",  # noqa: A002 - the word of the table of access
    why: str = "",
) -> None:
    """Note that records were handed to somebody."""
    note_access(
        store,
        AccessEvent(
            at_ms=at_ms,
            asker=asker,
            who=who,
            role=role,
            verb=verb,
            object=object,
            records=tuple(records),
            why=why,
        ),
    )


def export_access_head(store: UnitStore, *, at_ms: int) -> AccessHead | None:
    """Return where the chain ends, signed now; None where nothing was noted yet (AU2)."""
    with store.transaction():
        return sign_access_head(store.access, store.server_key, at_ms=at_ms)


def _sign_day_before(store: UnitStore, now_ms: int) -> None:
    """Sign where the chain ends with the first event of a later day."""
    last = next(store.access.lines(newest_first=True), None)
    if (
        last
        and last.seq > store.access.last_head()[0]
        and last.noted_ms // DAY_MS < now_ms // DAY_MS
    ):
        sign_access_head(store.access, store.server_key, at_ms=now_ms)


def _shorten(event: AccessEvent) -> AccessEvent:
    # A name that was typed where a record belongs is not kept.
    records = tuple(one if is_record_name(one) else NO_RECORD for one in event.records)
    why = event.why
    if len(why) > MOST_LETTERS:
        why = f"{why[:MOST_LETTERS]} (cut off)"
    if len(records) > MOST_RECORDS:
        # Last of all: who looks for a record is told by it that the line may name it no more.
        more = len(records) - MOST_RECORDS
        records, why = records[:MOST_RECORDS], f"{why} (and {more} more records)".strip()
    return msgspec.structs.replace(event, records=records, why=why)
