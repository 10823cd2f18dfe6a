"""Alarms of the exchange: how each is named, and which of them a person has seen to.

What could not be taken in stays set aside for ever; whether somebody has looked into it is a
decision like any other, which travels with the record (CF5, CF6 in `sync/SPEC.md`).
Pure: decisions come in as merged states.
"""

import hashlib
from collections.abc import Iterable

import msgspec

from sync.clock import read_stamp
from sync.merge import FieldState, RecordState, shown_value

SEEN_TO = "seen-to"


class SeenTo(msgspec.Struct, frozen=True, kw_only=True):
    """Who said last that he has seen to an alarm, when (wall milliseconds of his device), why."""

    by: str
    written_ms: int
    because: tuple[str, ...]


def name_set_aside(envelope: str, body: str | None) -> str:
    """Return the name of the alarm about a text that was set aside: the same one everywhere."""
    digest = hashlib.sha256(f"{envelope}\n{body or ''}".encode()).hexdigest()
    return f"alarm/{digest}"


def name_fork(device: str, epoch: str) -> str:
    """Return the name of the alarm that two devices have written one log."""
    return f"fork/{device}.{epoch}"


def seen_to_record(names: Iterable[str]) -> str:
    """Return the record of the decision on these alarms: the same one on every device (CF6)."""
    digest = hashlib.sha256("\n".join(sorted(set(names))).encode()).hexdigest()
    return f"decision/alarm-{digest[:32]}"


def find_seen_to(decisions: Iterable[RecordState]) -> dict[str, SeenTo]:
    """Return who has seen to what, by the alarm's name; of several people the last.

    A decision that gives no reason closes nothing: the alarm stays open until one is given.

    Parameters
    ----------
    decisions : iterable of RecordState
        Records of kind ``decision``, of every sort.

    Notes
    -----
    Rules CF5, CF6. The same for the same records, whatever their order.
    """
    found: dict[str, SeenTo] = {}
    for state in sorted(decisions, key=lambda state: state.record):
        seen = _read(state)
        if seen is None:
            continue
        for name in _names(state.fields.get("about")):
            before = found.get(name)
            if before is None or seen.written_ms > before.written_ms:
                found[name] = seen
    return found


def _read(state: RecordState) -> SeenTo | None:
    verdict = state.fields.get("verdict")
    if verdict is None or shown_value(verdict) != SEEN_TO:
        return None
    said = verdict.values[0]
    stamp = read_stamp(said.stamp)
    why = state.fields.get("because")
    because = tuple(
        held.value
        for held in (why.values if why else ())
        if isinstance(held.value, str) and held.value
    )
    if not because:
        return None
    return SeenTo(by=said.by, written_ms=stamp.wall_ms if stamp else 0, because=because)


def _names(about: FieldState | None) -> list[str]:
    """Return what a decision names; a device may write anything into a field."""
    return [
        name
        for held in (about.values if about else ())
        if isinstance(held.value, list)
        for name in held.value
        if isinstance(name, str)
    ]
