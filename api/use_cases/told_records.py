"""What the network was told of records of the unit, by the names that it knows them under."""

from collections.abc import Iterable

from api.registry.pseudonyms import make_pseudonym, pseudonym_of
from api.storage.site_key import load_site_key
from api.storage.unit_store import UnitStore
from api.use_cases.record_tree import find_record_tree
from api.use_cases.registry_log import registry_device
from api.use_cases.server_role import is_hub
from sync.operation import decode_body

# Named at the network after their own record, with all that is told under them.
_NAMED = ("patient", "case")
# Named after their case and the record that they were read from.
_OF_CASE = ("registry_look", "registry_event")
# What units write; the rest of the stream is the hub's own.
OF_UNITS = "registry_"


def find_told_records(store: UnitStore, records: Iterable[str]) -> list[str]:
    """Return what the network was told of records, sorted; inside a transaction.

    A unit that never told its network anything has nothing there, and no site key is made for it.

    Notes
    -----
    Rule ER7. Of a part of a case, such as one coil, what was told is written over and not found
    here: what its case tells is erased with the case.
    """
    if is_hub(store) or not own_registry_records(store):
        return []
    site_key = load_site_key(store.folder)
    # Named also where nothing is told yet: a round that is under way may just be telling it.
    named = {pseudonym_of(site_key, one) for one in records if _kind(one) in _NAMED}
    parts = {
        f"{kind}/{make_pseudonym(site_key, kind, f'{case} {one}')}"
        for one in records
        for case in _cases_of(store, one)
        for kind in _OF_CASE
    }
    held = store.operations.of_records(parts) if parts else {}
    return sorted({*named, *find_record_tree(store, {*named, *(one for one in held if held[one])})})


def own_registry_records(store: UnitStore) -> set[str]:
    """Return the records on which this unit wrote for its network; inside a transaction."""
    own = registry_device(store)
    found: set[str] = set()
    for epoch in store.operations.counters_of(own):
        found |= store.registry.records_of(own, epoch)
    return {one for one in found if one.startswith(OF_UNITS)}


def _cases_of(store: UnitStore, record: str) -> set[str]:
    """Return the cases that a record of care ever named."""
    if _kind(record) in _NAMED:
        return set()
    named = (
        decode_body(one.body_text).set.get("case")
        for one in store.operations.of_record(record)
        if one.body_text is not None
    )
    return {one for one in named if isinstance(one, str)}


def _kind(record: str) -> str:
    return record.split("/", 1)[0]
