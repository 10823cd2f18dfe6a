"""At a hub that was put back: what its units bring of its own words, and its signature over them.

Rule RG13. A hub signs each head of its own logs by a key that its folder keeps, also where its
database is an older copy. What that key signed, the hub wrote: it is taken in whole, withdrawals
too, or a recall that was withdrawn would stand in force again. What it did not sign, anybody could
have made up: of that a recall may begin, since one too many is seen.
"""

from collections.abc import Iterable, Sequence

from api.storage.p256 import is_signed, read_base64
from api.storage.signatures import SignedHead
from api.storage.unit_store import UnitStore
from api.use_cases.older_copy import put_back_ms
from api.use_cases.registry_log import registry_key
from api.use_cases.server_role import HUB_DEVICE
from sync.clock import read_stamp
from sync.errors import MalformedOperationError
from sync.operation import Operation
from sync.signing import BroughtHead, write_head_text

# What ends stays ended: whoever withdrew it since has said the same.
_ONLY_ENDS = "network_recall"


def find_signed_by_hub(
    store: UnitStore, operations: Iterable[Operation], heads: Sequence[BroughtHead]
) -> frozenset[str]:
    """Return the hashes of the operations that a head signed by this hub covers; in a transaction.

    A head vouches for the chain up to it: each operation names the hash of the one before.
    """
    by_hash = {one.hash: one for one in operations if one.device == HUB_DEVICE}
    covered: set[str] = set()
    for head in heads:
        last = by_hash.get(head.hash)
        if last is None or (head.device, head.epoch, head.counter) != _place_of(last):
            continue
        if not _keep_if_signed(store, head):
            continue
        one: Operation | None = last
        while one is not None and one.hash not in covered:
            covered.add(one.hash)
            before = by_hash.get(one.previous)
            follows = before is not None and _place_of(before) == _place_before(one)
            one = before if follows else None
    return frozenset(covered)


def why_not_taken_back(store: UnitStore, operation: Operation) -> str | None:
    """Return why what the hub itself had signed is not taken in again, None where it is.

    Where people of the hub have decided anew since it was put back, that stands: two words side by
    side would say neither.
    """
    if operation.kind == _ONLY_ENDS:
        return None
    since = put_back_ms(store)
    for one in store.operations.of_record(operation.record):
        stamp = read_stamp(one.stamp)
        is_anew = one.device == HUB_DEVICE and one.epoch != operation.epoch
        if is_anew and stamp is not None and stamp.wall_ms >= since:
            return (
                f"{operation.op_id} is the hub's own and was lost with its store. Since it was "
                "put back the hub has written on the same record anew, and that stands. It is "
                "kept aside; do it again at the hub if it was meant."
            )
    return None


def _keep_if_signed(store: UnitStore, head: BroughtHead) -> bool:
    key = registry_key(store)
    signature = read_base64(head.signature) or b""
    try:
        text = write_head_text(head.device, head.epoch, head.counter, head.hash)
    except MalformedOperationError:
        return False
    if not is_signed(key.public_key, text.encode(), signature):
        return False
    if store.signatures.enrol(head.device, key.public_key, head.epoch):
        kept = (head.device, head.epoch, head.counter, head.hash)
        store.signatures.keep_head(SignedHead(*kept, key.key_id, signature))
    return True


def _place_of(operation: Operation) -> tuple[str, str, int]:
    return operation.device, operation.epoch, operation.counter


def _place_before(operation: Operation) -> tuple[str, str, int]:
    return operation.device, operation.epoch, operation.counter - 1
