"""Judges whether what was received may be taken in: by itself, then by what is held here.

What needs no store is said before the turn to write is taken; the store is asked once a batch.
"""

from collections.abc import Sequence

from api.record_catalogue.catalogue import Catalogue
from api.storage.device_store import Device
from api.storage.unit_store import UnitStore
from api.use_cases.judge_signers import why_not_by_person
from api.use_cases.judge_writes import why_not_by_table, why_not_own
from api.use_cases.server_words import refuse_server_words
from sync.operation import Operation


def why_not_taken_in(
    store: UnitStore,
    operation: Operation,
    origin: Device | None,
    *,
    is_vouched: bool = False,
    is_by_hand: bool = False,
) -> str | None:
    """Return why a sound operation cannot be taken in, None when it can.

    Parameters
    ----------
    origin : Device or None
        The device that wrote it; None when it never joined this store (one put back to an older
        copy knows fewer devices).
    is_vouched : bool
        A person vouches for what bears the unit server's name (RL12).
    is_by_hand : bool
        A person at the server brings it, as a file or a story, and vouches for whom it names.
    """
    by_itself = why_not_by_itself(
        store.catalogue, operation, origin, is_vouched=is_vouched, is_by_hand=is_by_hand
    )
    if by_itself is not None:
        return by_itself
    if origin is None:
        return next(iter(why_not_by_person(store, [operation])))
    return next(iter(why_not_here(store, [operation], origin)))


def why_not_by_itself(
    catalogue: Catalogue,
    operation: Operation,
    origin: Device | None,
    *,
    is_vouched: bool = False,
    is_by_hand: bool = False,
) -> str | None:
    """Return why an operation cannot be taken in whatever is held here, None when it can.

    It asks no store, so that it is said before the turn to write is taken.
    """
    kind = operation.kind
    expected = catalogue.stream_of(kind)
    if expected is not None and expected != operation.stream:
        return (
            f"{operation.op_id} puts {kind} in stream {operation.stream}; it belongs in "
            f"{expected}. It is kept aside for the data manager."
        )
    words = refuse_server_words(operation, is_vouched=is_vouched, is_by_hand=is_by_hand)
    if words is not None or origin is None:
        return words
    return why_not_by_table(catalogue, operation, origin)


def why_not_here(
    store: UnitStore, operations: Sequence[Operation], origin: Device
) -> list[str | None]:
    """Return of each operation of a device why it cannot be taken in by what is held here.

    As the store is before any of them; it is asked once for all. None where nothing speaks
    against one that may be taken in by itself.
    """
    by_record = [
        own or by_person
        for own, by_person in zip(
            why_not_own(store, operations, origin),
            why_not_by_person(store, operations),
            strict=True,
        )
    ]
    if origin.revoked_ms is None:
        return by_record
    logs = {(one.device, one.epoch) for one in operations}
    ends = {log: store.marks.end_of(*log) for log in logs}
    return [
        sentence
        or (
            f"{one.op_id} came after {origin.id} was revoked, whatever time it bears. "
            "It is kept aside for the data manager."
            if one.counter > ends[one.device, one.epoch]
            else None
        )
        for one, sentence in zip(operations, by_record, strict=True)
    ]
