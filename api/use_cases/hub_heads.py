"""At a unit: the heads that the hub signed over its own logs, kept for a hub that is put back.

Where the hub has lost what it wrote, only its own signature proves that it had written it (RG13):
a unit alone could make up that a recall was withdrawn. A unit cannot check these signatures, and
does not go by them; it hands them back beside the entries that they cover.
"""

from collections.abc import Iterable, Sequence

import msgspec

from api.storage.unit_store import UnitStore
from api.use_cases.server_role import HUB_DEVICE
from sync.errors import MalformedOperationError
from sync.signing import BroughtHead, write_head_text

# So close together that some head lies in every batch of what is brought back (project default).
APART = 200
_FACT = "signed heads of the hub"
_LONGEST_SIGNATURE = 128
_Kept = dict[str, list[BroughtHead]]


def keep_hub_heads(store: UnitStore, heads: Iterable[BroughtHead]) -> None:
    """Keep the heads that came with a page, over entries that are held; inside a transaction.

    Of each log the newest stays, and older ones about every 200 entries.
    """
    kept = _read(store)
    changed = False
    for head in heads:
        of_log = kept.get(head.epoch, [])
        if any(one.counter == head.counter for one in of_log) or not _is_over_held(store, head):
            continue
        kept[head.epoch] = _thin(sorted([*of_log, head], key=lambda one: one.counter))
        changed = True
    if changed:
        store.keep_fact(_FACT, msgspec.json.encode(kept).decode())


def hub_heads_between(store: UnitStore, epoch: str, *, first: int, last: int) -> list[BroughtHead]:
    """Return the heads kept over a stretch of a log of the hub, lowest first; in a transaction."""
    return [one for one in _read(store).get(epoch, []) if first <= one.counter <= last]


def forget_hub_heads(store: UnitStore) -> None:
    """Forget the heads of a hub that was left for another; inside a transaction."""
    store.keep_fact(_FACT, "")


def _read(store: UnitStore) -> _Kept:
    held = store.fact(_FACT)
    return msgspec.json.decode(held, type=_Kept) if held else {}


def _is_over_held(store: UnitStore, head: BroughtHead) -> bool:
    try:
        write_head_text(head.device, head.epoch, head.counter, head.hash)
    except MalformedOperationError:
        return False
    return (
        head.device == HUB_DEVICE
        and len(head.signature) <= _LONGEST_SIGNATURE
        and store.operations.hash_at(HUB_DEVICE, head.epoch, head.counter) == head.hash
    )


def _thin(heads: Sequence[BroughtHead]) -> list[BroughtHead]:
    """Leave out heads between two others that are close together."""
    thinned: list[BroughtHead] = []
    for place, head in enumerate(heads):
        is_last = place == len(heads) - 1
        if is_last or not thinned or heads[place + 1].counter - thinned[-1].counter > APART:
            thinned.append(head)
    return thinned
