"""What a unit sends its hub in one request: batches of a log, in the form that they travel in."""

from typing import Any

from api.storage.unit_store import UnitStore
from api.use_cases.hub_heads import hub_heads_between
from api.use_cases.server_role import HUB_DEVICE
from sync.exchange import MAX_BATCH_COUNT, cut_batch
from sync.operation import Operation
from sync.signing import BroughtHead
from sync.wire import digest_rows, write_rows


def cut_log(
    store: UnitStore, device: str, epoch: str, first: int, most_bytes: int | None = None
) -> list[Operation]:
    """Return what fits into the next batch of a log; inside a transaction."""
    entries = store.registry.of_log_from(device, epoch, first=first, limit=MAX_BATCH_COUNT)
    # A damaged one would pass for forged there; what lies behind it waits for a backup (LG6).
    operations = [one.operation for one in entries if not one.trouble]
    sizes = [len(envelope) + len(body.encode()) for envelope, body in texts_of(operations)]
    fitting = cut_batch(sizes) if most_bytes is None else cut_batch(sizes, most_bytes)
    return operations[:fitting]


def cut_signed(
    store: UnitStore, epoch: str, first: int
) -> tuple[list[Operation], list[BroughtHead]]:
    """Return the next batch of a log of the hub, up to a head that the hub signed (RG13).

    Inside a transaction. What lies above the last such head goes in a batch of its own, without
    one.
    """
    batch = cut_log(store, HUB_DEVICE, epoch, first)
    if not batch:
        return [], []
    heads = hub_heads_between(store, epoch, first=first, last=batch[-1].counter)
    if not heads:
        return batch, []
    return [one for one in batch if one.counter <= heads[-1].counter], heads[-1:]


def write_batch(device: str, operations: list[Operation]) -> dict[str, Any]:
    """Return a batch in the long form; in rows where an erased entry has no text (ER3, EX18)."""
    if all(one.body_text is not None for one in operations):
        return {"operations": texts_of(operations)}
    return {"rows": write_rows(operations), "digest": digest_rows(operations, device)}


def texts_of(operations: list[Operation]) -> list[tuple[str, str]]:
    """Return the envelope and body of each."""
    return [(one.envelope_text, one.body_text or "") for one in operations]
