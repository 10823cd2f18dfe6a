"""List the open conflicts that people have to settle, in the streams that a device may read."""

from collections.abc import Iterator
from importlib import resources

import msgspec

from api.record_catalogue.catalogue import Catalogue
from api.record_catalogue.conflict_effects import ConflictEffects, Effect, read_conflict_effects
from api.storage.device_store import Device
from api.storage.read_views import KeptConflict
from api.storage.unit_store import UnitStore
from api.storage.view_rows import Answer
from api.use_cases.judge_reads import Reading, find_reading


class ConflictRow(msgspec.Struct, frozen=True, kw_only=True):
    """One field with more than one answer left (CF1, CF3).

    Parameters
    ----------
    answers : tuple of Answer
        In order of stamp: value, by whom, on which device, when (its own clock) and on which
        operations it rests. A resolution names all their references in `over` (CF2).
    holds_back : tuple of str
        What is withheld or marked until it is settled.
    open_since_ms, age_ms : int
        When the second answer was written, and how long ago by the server's clock; never
        below 0.
    """

    record: str
    kind: str
    field: str
    answers: tuple[Answer, ...]
    holds_back: tuple[Effect, ...]
    open_since_ms: int
    age_ms: int


def list_unit_conflicts(store: UnitStore, device: Device, *, now_ms: int) -> list[ConflictRow]:
    """Return every open conflict in the device's streams, by record and field (CF1, CF3).

    Of fields that its role does not read there is none for it.
    """
    with store.transaction():
        kept = [
            one
            for stream in device.streams
            for one in _readable(store, find_reading(store.catalogue, device, stream))
        ]
    effects = _packaged_effects(store.catalogue)
    return [
        ConflictRow(
            record=one.record,
            kind=one.kind,
            field=one.field,
            answers=one.answers,
            holds_back=effects.of(one.kind, one.field),
            open_since_ms=one.open_since_ms,
            age_ms=max(0, now_ms - one.open_since_ms),
        )
        for one in sorted(kept, key=lambda one: (one.record, one.field))
    ]


def _readable(store: UnitStore, reading: Reading) -> Iterator[KeptConflict]:
    for one in store.views.conflicts([reading.stream]):
        if reading.allows(one.kind, [one.field].copy):
            yield one


def _packaged_effects(catalogue: Catalogue) -> ConflictEffects:
    folder = resources.files("api.record_catalogue")
    return read_conflict_effects((folder / "conflict_effects.json").read_bytes(), catalogue)
