"""Possible double entries: two records that may speak of one coil or of one injection.

Two tablets at one table can each record the same coil. Both records are kept (HAZ-30); what may
be one thing written twice is proposed, and a person decides (DE1-DE8 in `sync/SPEC.md`).
Pure: records come in as merged states.
"""

import hashlib
from collections.abc import Iterable, Mapping
from itertools import combinations
from typing import Any, Literal

import msgspec

from sync.clock import read_stamp
from sync.merge import RecordState, shown_value

COIL = "coil_placed"
INJECTION = "adhesive_injected"
# Unit setting (project default): one coil or aliquot takes longer than this to place.
WINDOW_MS = 120_000

Why = Literal["same-label", "same-slot", "same-aliquot", "both-struck"]
Pair = tuple[str, str]


class DoubleEntry(msgspec.Struct, frozen=True, kw_only=True):
    """Two records for a person to decide on.

    Parameters
    ----------
    records : tuple of str
        Both records, sorted.
    why : str
        ``same-label`` (DE1), ``same-slot`` (DE2), ``same-aliquot`` (DE3), or ``both-struck``:
        judged to be the same, and then neither was left standing (DE7).
    """

    records: Pair
    why: Why


class _Entry(msgspec.Struct, frozen=True, kw_only=True):
    record: str
    kind: str
    written_ms: int
    target: str
    slot: int | None
    device: Mapping[str, Any]


def find_double_entries(
    states: Iterable[RecordState],
    rounds: Mapping[str, RecordState],
    decisions: Iterable[RecordState],
) -> tuple[DoubleEntry, ...]:
    """Return what a person has to decide, by the records' ids.

    Parameters
    ----------
    states : iterable of RecordState
        Records of kind ``coil_placed`` and ``adhesive_injected``, struck ones included.
    rounds : mapping
        Step events by record: those that `rounds_wanted` names, as far as they are held.
    decisions : iterable of RecordState
        Records of kind ``decision``.

    Notes
    -----
    Rules DE1-DE7. The same for the same records, whatever their order.
    """
    listed = {state.record: state for state in states}
    entries = [_read(state) for state in listed.values() if not state.is_entered_in_error]
    verdicts = _verdicts(decisions)
    same = {pair for pair, said in verdicts.items() if "same" in said}
    found: dict[Pair, Why] = dict.fromkeys(_lost(same, listed), "both-struck")
    for why, one, other in _alike(entries, rounds):
        pair = _pair(one.record, other.record)
        if verdicts.get(pair) != {"different"}:
            found.setdefault(pair, why)
    return tuple(DoubleEntry(records=pair, why=found[pair]) for pair in sorted(found))


def rounds_wanted(states: Iterable[RecordState]) -> tuple[str, ...]:
    """Return the step events that tell which aliquot an injection was, where that matters.

    They share the id of the injection: all records of one act do (DE3).
    """
    by_target: dict[str, list[_Entry]] = {}
    for state in states:
        if not state.is_entered_in_error and _kind(state.record) == INJECTION:
            entry = _read(state)
            by_target.setdefault(entry.target, []).append(entry)
    by_target.pop("", None)
    near = {
        entry.record
        for group in by_target.values()
        for pair in combinations(group, 2)
        if _are_close(*pair)
        for entry in pair
    }
    return tuple(sorted(_round_record(record) for record in near))


def decision_record(records: Pair) -> str:
    """Return the record of the decision on two records: the same one on every device (DE8)."""
    digest = hashlib.sha256("\n".join(sorted(records)).encode()).hexdigest()
    return f"decision/double-{digest[:32]}"


def _alike(
    entries: Iterable[_Entry], rounds: Mapping[str, RecordState]
) -> Iterable[tuple[Why, _Entry, _Entry]]:
    """Yield pairs that may be one thing; a pair alike in two ways comes by its label first."""
    by_label: dict[str, list[_Entry]] = {}
    by_place: dict[tuple[Any, ...], list[_Entry]] = {}
    for entry in sorted(entries, key=lambda entry: entry.record):
        serial = _text(entry.device.get("serial"))
        if entry.kind == COIL and serial:
            by_label.setdefault(serial, []).append(entry)
        place = _place(entry, rounds)
        if place is not None:
            by_place.setdefault(place, []).append(entry)
    for group in by_label.values():
        for one, other in combinations(group, 2):
            if not _labels_differ(one, other):
                yield "same-label", one, other
    for group in by_place.values():
        for one, other in combinations(group, 2):
            if _are_close(one, other):
                yield ("same-slot" if one.kind == COIL else "same-aliquot"), one, other


def _place(entry: _Entry, rounds: Mapping[str, RecordState]) -> tuple[Any, ...] | None:
    """Return what no two coils or injections may share; None where it is not known."""
    if not entry.target:
        return None
    if entry.kind == COIL:
        return None if entry.slot is None else (COIL, entry.target, entry.slot)
    held = rounds.get(_round_record(entry.record))
    said = shown_value(held.fields.get("round")) if held else None
    parts = said if isinstance(said, dict) else {}
    puncture, aliquot = _whole(parts.get("puncture")), _whole(parts.get("aliquot"))
    if puncture is None or aliquot is None:
        return None
    return INJECTION, entry.target, puncture, aliquot


def _labels_differ(one: _Entry, other: _Entry) -> bool:
    """Say whether both labels give an identifier or a lot and these are not the same."""
    for name in ("identifier", "lot"):
        left, right = _text(one.device.get(name)), _text(other.device.get(name))
        if left and right and left != right:
            return True
    return False


def _are_close(one: _Entry, other: _Entry) -> bool:
    return abs(one.written_ms - other.written_ms) <= WINDOW_MS


def _verdicts(decisions: Iterable[RecordState]) -> dict[Pair, set[Any]]:
    """Return what was said of each pair; a verdict in conflict is None, which decides nothing."""
    said: dict[Pair, set[Any]] = {}
    for state in decisions:
        if state.is_entered_in_error:
            continue
        about = shown_value(state.fields.get("about"))
        names = {_text(one) for one in about} if isinstance(about, list) else set()
        if len(names) == 2 and "" not in names:  # noqa: PLR2004  a pair
            verdict = shown_value(state.fields.get("verdict"))
            said.setdefault(_pair(*names), set()).add(_text(verdict) or None)
    return said


def _lost(same: set[Pair], listed: Mapping[str, RecordState]) -> set[Pair]:
    """Return the pairs judged the same of which nothing stands, not even by a third record."""
    alike: dict[str, set[str]] = {}
    for one, other in same:
        alike.setdefault(one, set()).add(other)
        alike.setdefault(other, set()).add(one)

    def is_lost(start: str) -> bool:
        reached, pending = {start}, [start]
        while pending:
            state = listed.get(pending.pop())
            # A record that is not held here may stand elsewhere: no alarm.
            if state is None or not state.is_entered_in_error:
                return False
            fresh = alike[state.record] - reached
            reached |= fresh
            pending.extend(fresh)
        return True

    return {pair for pair in same if is_lost(pair[0])}


def _read(state: RecordState) -> _Entry:
    stamps = [held.stamp for field in state.fields.values() for held in field.values]
    first = read_stamp(min(stamps, default=""))
    device = shown_value(state.fields.get("device"))
    return _Entry(
        record=state.record,
        kind=_kind(state.record),
        written_ms=first.wall_ms if first else 0,
        target=_text(shown_value(state.fields.get("target"))),
        slot=_whole(shown_value(state.fields.get("slot"))),
        device=device if isinstance(device, dict) else {},
    )


def _pair(one: str, other: str) -> Pair:
    return (one, other) if one < other else (other, one)


def _round_record(record: str) -> str:
    return f"step_event/{record.split('/', 1)[1]}"


def _kind(record: str) -> str:
    return record.split("/", 1)[0]


def _text(part: object) -> str:
    return part if isinstance(part, str) else ""


def _whole(part: object) -> int | None:
    return part if isinstance(part, int) and not isinstance(part, bool) else None
