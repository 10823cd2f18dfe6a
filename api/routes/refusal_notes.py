"""Refusals in the trail of access: the first of each minute at once, of the like how many more.

A refusal is noted in a transaction of its own, since whatever it refused writes nothing; and a
flood of refusals fills no disk. How many more there were is lost where the server is killed, the
first of them never.
"""

from threading import Lock

import msgspec

from api.environment import Environment
from api.storage.access_log import AccessEvent
from api.storage.unit_store import UnitStore
from api.use_cases.note_access import note_access

MINUTE_MS = 60_000
MOST_KINDS = 1_000


class _Minute(msgspec.Struct):
    """Like refusals: the first, when it was by the clock that only goes on, and how many more."""

    first: AccessEvent
    since_ms: int
    more: int = 0


class RefusalNotes:
    """Notes refusals, a bounded number of lines. Any thread may call it.

    Notes
    -----
    Rule AU7.
    """

    def __init__(self, store: UnitStore, environment: Environment) -> None:
        self._store = store
        self._environment = environment
        self._minutes: dict[tuple[str, ...], _Minute] = {}
        self._lock = Lock()

    def note(self, event: AccessEvent) -> None:
        """Note a refusal, or count it where the like was noted within the minute.

        Raises
        ------
        StorageError
            The disk refuses.
        """
        now_ms = self._environment.monotonic_ms()
        with self._lock:
            lines = self._take(now_ms)
            held = self._minutes.get(_kind(event))
            if held is not None:
                held.more += 1
            else:
                self._minutes[_kind(event)] = _Minute(event, now_ms)
                lines.append(event)
        self._write(lines)

    def close(self) -> None:
        """Note how many more there were of everything that is still counted."""
        with self._lock:
            lines = self._take(None)
        self._write(lines)

    def _take(self, now_ms: int | None) -> list[AccessEvent]:
        """Forget what is over, all of it for None; return the lines that it leaves to be noted."""
        is_full = len(self._minutes) >= MOST_KINDS
        over = [
            kind
            for kind, one in self._minutes.items()
            if now_ms is None or is_full or now_ms - one.since_ms >= MINUTE_MS
        ]
        ended = [self._minutes.pop(kind) for kind in over]
        return [
            msgspec.structs.replace(one.first, why=f"{one.more} more within a minute")
            for one in ended
            if one.more
        ]

    def _write(self, lines: list[AccessEvent]) -> None:
        if not lines:
            return
        with self._store.transaction():
            for line in lines:
                note_access(self._store, line, noted_ms=self._environment.now_ms())


def _kind(event: AccessEvent) -> tuple[str, ...]:
    """Return what makes refusals alike; all who prove nobody are one, whatever they ask for."""
    if not event.who:
        return (event.asker, event.outcome)
    return (event.asker, event.who, event.verb, event.object, event.outcome)
