"""Plan an erasure: what would go, and what nobody but people can destroy."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from pathlib import Path

import msgspec

from api.storage.connection import FILE_NAME
from api.storage.erasures import record_in
from api.storage.unit_store import UnitStore
from api.use_cases.erased_pictures import find_pictures
from api.use_cases.errors import NotAllowedError
from api.use_cases.record_tree import find_doubtful, find_record_tree
from api.use_cases.server_role import is_hub
from api.use_cases.told_records import OF_UNITS, find_told_records
from sync.operation import decode_body

# Kinds that say what is in a patient: whoever recalls a lot must find them (HAZ-30).
IMPLANTS = frozenset({"coil_placed", "adhesive_injected", "package_opened", "registry_implant"})
ERASABLE_STREAMS = frozenset({"care", "booking"})


class ErasurePlan(msgspec.Struct, frozen=True, kw_only=True):
    """What an erasure would destroy, and what nobody but people can.

    Parameters
    ----------
    records : tuple of str
        The records named and all under them.
    bodies : int
        Entries whose content goes, those set aside among them.
    pictures : tuple of str
        SHA-256 of the pictures that no other record names.
    implants : tuple of str
        Those of the records that say what is in a patient.
    copies : tuple of str
        Former stores in the data folder, which hold it still.
    devices : tuple of str
        Devices that have not been told yet; each drops its copy at its next exchange.
    doubtful : tuple of str
        Records that are not erased and yet may belong there (`find_doubtful`).
    told : tuple of str
        Those of the records that the network was told: its hub has them until it is told of this.
    """

    records: tuple[str, ...]
    bodies: int
    pictures: tuple[str, ...]
    implants: tuple[str, ...]
    copies: tuple[str, ...]
    devices: tuple[str, ...]
    doubtful: tuple[str, ...] = ()
    told: tuple[str, ...] = ()


def plan_erasure(store: UnitStore, named: Sequence[str]) -> ErasurePlan:
    """Return what erasing records would destroy; changes nothing.

    Raises
    ------
    NotAllowedError
        A record is not held, was erased already, or belongs to the unit itself.
    """
    with store.transaction():
        aside, erased = _set_aside(store), store.erasures.listed()
        for record in named:
            _refuse_record(store, record, aside, erased)
        tree = find_record_tree(store, named, aside)
        told = [one for one in find_told_records(store, tree) if one not in erased]
        records = sorted({*tree, *told})
        return ErasurePlan(
            records=tuple(records),
            bodies=store.erasures.bodies_of(records),
            pictures=tuple(sorted(find_pictures(store, records))),
            implants=tuple(one for one in records if _kind(one) in IMPLANTS),
            copies=tuple(former_stores(store.folder)),
            # A hub's units read no erasure of it: what they told stands in their own record.
            devices=() if is_hub(store) else tuple(one.id for one in store.devices.expected()),
            doubtful=tuple(find_doubtful(store, records, aside)),
            told=tuple(told),
        )


def former_stores(folder: Path) -> Iterator[str]:
    """Yield the files in a data folder that a restore kept of the store before it."""
    for path in sorted(folder.glob(f"{FILE_NAME}.before-*")):
        if path.suffix not in (".seal", ".broken"):
            yield str(path)


def _set_aside(store: UnitStore) -> dict[str, set[str]]:
    """Return the records of texts that lie aside or wait, and what each names as its parent."""
    texts = [(one.envelope, one.body) for one in store.operations.quarantined()]
    found: dict[str, set[str]] = {}
    for envelope, body in (*texts, *store.waiting.texts()):
        record = record_in(envelope)
        known = store.catalogue.kinds.get(_kind(record))
        try:
            said = decode_body(body).set if body else {}
        except (msgspec.MsgspecError, UnicodeError):
            # No body at all, which is why it lies there: then it is under nothing.
            said = {}
        parent = said.get(known.parent) if known and known.parent else None
        found.setdefault(record, set()).update([parent] if isinstance(parent, str) else [])
    return found


def _refuse_record(
    store: UnitStore, record: str, aside: Mapping[str, set[str]], erased: Collection[str]
) -> None:
    stream = store.catalogue.stream_of(_kind(record))
    # Of the registry what units told; what a hub wrote is its own.
    is_erasable = stream in ERASABLE_STREAMS or record.startswith(OF_UNITS)
    if stream is not None and not is_erasable:
        message = f"{record} belongs to the unit itself and stays. Name a record of a patient."
        raise NotAllowedError(message)
    if record in erased:
        raise NotAllowedError(f"{record} was erased already. Leave it out.")
    if not store.operations.of_record(record) and record not in aside:
        raise NotAllowedError(f"{record} is not held here. Name a record such as patient/<id>.")


def _kind(record: str) -> str:
    return record.split("/", 1)[0]
