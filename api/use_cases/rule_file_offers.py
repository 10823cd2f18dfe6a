"""Reads the rule files that a hub offers, from what the hub itself has written (RL12)."""

from collections.abc import Iterator

import msgspec

from api.storage.unit_store import UnitStore
from api.use_cases.server_role import HUB_DEVICE
from sync.clock import read_stamp
from sync.merge import RecordState
from sync.operation import decode_body

KIND = "network_rule_file"
_WITHDRAWN = "withdrawn"


class Offer(msgspec.Struct, frozen=True):
    """What the hub wrote of one version: ``came_ms`` is when, by its clock.

    Of one that is withdrawn, ``withdrawn_by`` is the operation that did so, with when and why.
    """

    record: str
    name: str
    version: int
    content: str
    is_withdrawn: bool
    came_ms: int
    by: str
    because: str
    withdrawn_by: str = ""
    withdrawn_ms: int = 0
    withdrawn_because: str = ""


def read_offers(store: UnitStore) -> Iterator[Offer]:
    """Yield each offer, also one that was withdrawn, by record; inside a transaction."""
    for state in store.views.of_kind(KIND):
        offer = _read_offer(store, state)
        if offer is not None:
            yield offer


def _read_offer(store: UnitStore, state: RecordState) -> Offer | None:
    """Return an offer as the hub first wrote it: nobody else's word counts (RL12)."""
    file, content = _of_hub(state, "file"), _of_hub(state, "content")
    named = file[0] if file and isinstance(file[0], dict) else {}
    name, version = named.get("name"), named.get("version")
    if not (isinstance(name, str) and isinstance(version, int) and content):
        return None
    entries = [
        one
        for one in store.operations.of_record(state.record)
        if one.device == HUB_DEVICE and one.body_text is not None
    ]
    first = min(entries, key=lambda one: one.stamp)
    stamp, body = read_stamp(first.stamp), decode_body(first.body_text or "")
    is_withdrawn = _of_hub(state, "state")[-1:] == [_WITHDRAWN]
    last = max(entries, key=lambda one: one.stamp) if is_withdrawn else None
    ended = read_stamp(last.stamp) if last else None
    return Offer(
        record=state.record,
        name=name,
        version=version,
        content=str(content[0]),
        is_withdrawn=is_withdrawn,
        came_ms=stamp.wall_ms if stamp else 0,
        by=body.by,
        because=body.because,
        withdrawn_by=last.reference if last else "",
        withdrawn_ms=ended.wall_ms if ended else 0,
        withdrawn_because=decode_body(last.body_text or "").because if last else "",
    )


def _of_hub(state: RecordState, field: str) -> list[object]:
    held = state.fields.get(field)
    mark = f"{HUB_DEVICE}."
    return [
        one.value
        for one in (held.values if held else ())
        if any(reference.startswith(mark) for reference in one.references)
    ]
