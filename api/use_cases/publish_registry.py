"""Write what the unit's cases tell the network, and only what differs from what it was told.

Rules RG1-RG9. Run twice, the second writes nothing. Records of the network that other parts of
the unit write (answers to recalls and to proposed links) are left alone.
"""

import hashlib
from collections.abc import Callable, Iterable
from typing import Any
from weakref import WeakKeyDictionary

from api.registry.date_shift import find_delay
from api.registry.disguise import disguise
from api.registry.registry_records import encode_traits
from api.registry.told_case import RegistryRecord
from api.storage.site_key import load_site_key
from api.storage.unit_store import UnitStore
from api.use_cases.clock_witnesses import find_present
from api.use_cases.linkage_setting import read_linkage_key, read_number_country
from api.use_cases.read_registry_cases import read_registry_records
from api.use_cases.record_values import known_zone, text_of
from api.use_cases.registry_log import epoch_fact, registry_device
from api.use_cases.server_log import Chance, ServerDraft, write_all_as_server
from api.use_cases.show_case import show_record
from api.use_cases.writings import civil_day
from sync.merge import RecordState
from sync.operation import decode_body

OF_CASES = (
    *("registry_patient", "registry_case", "registry_implant"),
    *("registry_look", "registry_event"),
)
_PATIENT = "registry_patient"
# Each in one transaction: a push of a tablet waits for none of them long.
_DRAFTS_AT_ONCE = 500
# What everything told rested on when a round had nothing to write.
_told_all: WeakKeyDictionary[UnitStore, bytes] = WeakKeyDictionary()


def publish_registry(store: UnitStore, *, now_ms: int, draw_chance: Callable[[], Chance]) -> int:
    """Bring what the network is told up to what the unit's record says.

    Returns
    -------
    int
        How many operations were written, 0 where nothing differed.

    Raises
    ------
    CalculationError
        A rule file that it takes is not in force, or the clock was put back (RG23).
    StorageError
        A key cannot be read.

    Notes
    -----
    Call it after a finished exchange with the hub: a unit that was put back has its own
    operations again by then, and writes none of them twice.

    A round comes every few minutes and derives every case: where nothing of what that rests on
    has changed since a round that had nothing to write, this one has nothing either. After each
    start, and on each new day, everything is derived once.
    """
    site_key = load_site_key(store.folder)
    with store.transaction():
        zone = known_zone([text_of(one, "time_zone") for one in store.views.of_kind("site")], "UTC")
        unit = registry_device(store)
    on = civil_day(find_present(store, now_ms), zone)
    rests_on = _find_rest(store, site_key, on=on, time_zone=zone)
    if _told_all.get(store) == rests_on:
        return 0
    wanted = read_registry_records(
        store,
        on=on,
        time_zone=zone,
        delay_of=lambda case: find_delay(site_key, case),
    )
    # What nobody of the network may know is not even derived for it.
    wanted = _add_traits(store, wanted)
    drafts = _find_drafts(
        store, dict(disguise(one, site_key, store.catalogue, unit=unit) for one in wanted)
    )
    for start in range(0, len(drafts), _DRAFTS_AT_ONCE):
        with store.transaction():
            write_all_as_server(
                store,
                drafts[start : start + _DRAFTS_AT_ONCE],
                by=unit,
                because="",
                draw_chance=draw_chance,
            )
    if not drafts:
        # What was written while cases were read is told next time: the heads were read before.
        _told_all[store] = rests_on
    return len(drafts)


def _find_rest(store: UnitStore, site_key: bytes, *, on: str, time_zone: str) -> bytes:
    """Return a digest of all from which it follows what the network is told; no case is read."""
    streams = sorted({kind.stream for kind in store.catalogue.kinds.values()})
    with store.reading():
        rest = (
            *(on, time_zone, site_key),
            store.operations.heads(streams),
            # Begun anew when what was told to a former hub was taken out.
            store.fact(epoch_fact(store, ())),
            *(read_linkage_key(store), read_number_country(store)),
        )
    return hashlib.sha256(repr(rest).encode()).digest()


def _add_traits(store: UnitStore, wanted: list[RegistryRecord]) -> list[RegistryRecord]:
    """Add what patients are found again by, where the unit allows it (RG9)."""
    with store.reading():
        key = read_linkage_key(store)
        if key is None:
            return wanted
        country = read_number_country(store)
        patients = {one.record: one for one in store.views.of_kind("patient")}
    added = []
    for one in wanted:
        state = patients.get(one.name) if one.kind == _PATIENT else None
        if state is None or state.is_entered_in_error:
            added.append(one)
            continue
        traits = encode_traits(show_record(state), country, key)
        added.append(
            RegistryRecord(
                kind=one.kind,
                name=one.name,
                subject=one.subject,
                fields={**one.fields, "traits": traits},
            )
        )
    return added


def _find_drafts(store: UnitStore, wanted: dict[str, dict[str, Any]]) -> list[ServerDraft]:
    """Return what has to be written, patients before their cases, and what vanished last.

    Read kind by kind, so that a push of a tablet waits for none long; nobody else writes these.
    """
    held: dict[str, RecordState] = {}
    for kind in OF_CASES:
        with store.reading():
            held.update((one.record, one) for one in store.views.of_kind(kind))
    order = {kind: place for place, kind in enumerate(OF_CASES)}
    names = sorted(wanted, key=lambda name: (order[name.split("/", 1)[0]], name))
    found = [
        draft
        for name in names
        if (draft := _differ(name, wanted[name], held.get(name))) is not None
    ]
    gone = [name for name in held if name not in wanted and not held[name].is_entered_in_error]
    return [*found, *_strike(store, gone, held)]


def _differ(name: str, fields: dict[str, Any], state: RecordState | None) -> ServerDraft | None:
    """Return the fields that say something else, over what was said; None where none does."""
    told = state.fields if state is not None else {}
    changed = {}
    for field, value in fields.items():
        values = told[field].values if field in told else ()
        if len(values) != 1 or values[0].value != value:
            changed[field] = value
    for field, held in told.items():
        # A field without an answer any more is cleared, so that nobody goes by the old one.
        if field not in fields and any(one.value is not None for one in held.values):
            changed[field] = None
    if not changed:
        return None
    over = {field: told[field].references for field in changed if field in told}
    return ServerDraft(record=name, fields=changed, over=over)


def _strike(
    store: UnitStore, names: list[str], held: dict[str, RecordState]
) -> Iterable[ServerDraft]:
    """Yield a retraction of all that a record was ever told, so that nothing older comes back."""
    with store.reading():
        written = store.operations.of_records(names) if names else {}
    for name in sorted(names):
        struck = set(held[name].struck)
        told = tuple(
            one.reference
            for one in written.get(name, ())
            if one.reference not in struck
            and one.body_text is not None
            and decode_body(one.body_text).set
        )
        if told:
            yield ServerDraft(record=name, retract=told)
