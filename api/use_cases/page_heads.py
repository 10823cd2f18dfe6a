"""The signed heads that go with a page, so that whoever reads it can prove who wrote it (SG12)."""

from collections.abc import Iterable, Iterator
from typing import Literal

from api.storage.p256 import write_base64
from api.storage.signatures import SignedHead
from api.storage.unit_store import UnitStore
from sync.operation import Operation
from sync.signing import BroughtHead

# Of what heads are asked for: of nothing, of what is in the page, of every log.
WantedHeads = Literal["", "page", "all"]


def find_page_heads(
    store: UnitStore, operations: Iterable[Operation], *, wanted: WantedHeads, device: str
) -> list[BroughtHead]:
    """Return the heads over operations, or over every log; never those of the asking device.

    Rule SG12. Runs inside a transaction.
    """
    if not wanted:
        return []
    stretches = _of_page(operations) if wanted == "page" else _of_all(store)
    return [
        _carried(head)
        for name, epoch, lowest, highest in stretches
        if name != device
        for head in store.signatures.heads_over(name, epoch, lowest=lowest, highest=highest)
    ]


def _of_page(operations: Iterable[Operation]) -> Iterator[tuple[str, str, int, int]]:
    counters: dict[tuple[str, str], list[int]] = {}
    for one in operations:
        counters.setdefault((one.device, one.epoch), []).append(one.counter)
    for (device, epoch), found in counters.items():
        yield device, epoch, min(found), max(found)


def _of_all(store: UnitStore) -> Iterator[tuple[str, str, int, int]]:
    for device, epoch in store.operations.logs():
        yield device, epoch, 1, store.operations.tip_of(device, epoch).counter


def _carried(head: SignedHead) -> BroughtHead:
    signature = write_base64(head.signature)
    return BroughtHead(head.device, head.epoch, head.counter, head.hash, signature)
