"""What is signed: a device's head, once a batch, and the unit's segments. Keys are elsewhere.

Every operation names the hash of the one before it, so that one signature over the last hash of
a chain vouches for every operation up to it. Segments of a stream are bound together likewise:
each names where the one before it ends, so that none can be left out between two others.
"""

import re
from collections.abc import Callable, Sequence
from itertools import pairwise

import msgspec

from sync.errors import MalformedOperationError
from sync.operation import Operation
from sync.operation_log import Count, Tip

SIGNATURE_BYTES = 64

_DEVICE = re.compile(r"[a-z0-9-]{1,32}")
_EPOCH = re.compile(r"[a-z0-9]{4,16}")
_HASH = re.compile(r"[0-9a-f]{64}")
_STREAM = re.compile(r"[a-z_]{1,24}")
_LARGEST_COUNTER = 999_999_999_999
_LARGEST_NUMBER = 2**53 - 1


class BroughtHead(
    msgspec.Struct, frozen=True, array_like=True, forbid_unknown_fields=True, gc=False
):
    """A head of a log and its device's signature over it in base64, as others carry it (SG11)."""

    device: str
    epoch: str
    counter: Count
    hash: str
    signature: str


def write_head_text(device: str, epoch: str, counter: int, hash_: str) -> str:
    """Return the text that a device signs for one head, ASCII without a closing line end (SG1).

    Parameters
    ----------
    counter : int, from 1
        Counter of the last operation.
    hash_ : str, 64 hexadecimal digits
        Hash of that operation.

    Raises
    ------
    MalformedOperationError
        A part is none of a head: two different heads never have the same text.
    """
    sound = (
        _DEVICE.fullmatch(device)
        and _EPOCH.fullmatch(epoch)
        and 1 <= counter <= _LARGEST_COUNTER
        and _HASH.fullmatch(hash_)
    )
    if not sound:
        raise MalformedOperationError(
            f"{device[:40]}.{epoch[:20]}.{counter} is no head of a log. Sign an operation's own."
        )
    return f"crura-head\n{device}\n{epoch}\n{counter}\n{hash_}"


def find_head(operations: Sequence[Operation]) -> Tip | None:
    """Return the head whose signature vouches for every one of these operations (SG3).

    Returns
    -------
    Tip or None
        Place and hash of the last one; None when they are not one unbroken chain.
    """
    if not operations:
        return None
    for before, after in pairwise(operations):
        follows = (
            (after.device, after.epoch) == (before.device, before.epoch)
            and after.counter == before.counter + 1
            and after.previous == before.hash
        )
        if not follows:
            return None
    last = operations[-1]
    return Tip(last.epoch, last.counter, last.hash)


def trace_signed(
    tip: Tip, head: Tip, find: Callable[[int, str], Operation | None]
) -> list[Operation]:
    """Return the operations that a signed head vouches for, lowest first (SG11).

    Parameters
    ----------
    tip : Tip
        Where the log ends by now.
    head : Tip
        Place and hash that the log's own device signed.
    find : callable
        Returns the operation of this log with a counter and a hash that is not in the log, None
        where it is not here.

    Returns
    -------
    list of Operation
        One chain up to the head, which goes on after the tip or, where the device signed another
        past, begins at a place that is held; empty where an operation in between is not here.
    """
    chain: list[Operation] = []
    place = head.counter, head.hash
    while place != (tip.counter, tip.hash) and (one := find(*place)) is not None:
        chain.append(one)
        place = one.counter - 1, one.previous
    if not chain or chain[-1].counter > tip.counter + 1:
        return []
    chain.reverse()
    return chain


def write_segment_text(
    digest: str, stream: str, *, after: int, first: int, last: int, operations: int
) -> str:
    """Return the text that a unit server signs for one sealed segment, ASCII (SG10).

    Parameters
    ----------
    digest : str, 64 hexadecimal digits
        SHA-256 of the segment's bytes.
    after : int, from 0
        Receipt number of the last operation in the segment before, 0 for the first segment.
    first, last : int
        Receipt numbers of its first and last operation.
    operations : int, from 1
        How many operations it holds.

    Raises
    ------
    MalformedOperationError
        A part is none of a segment: two different segments never have the same text.
    """
    sound = (
        _HASH.fullmatch(digest)
        and _STREAM.fullmatch(stream)
        and 0 <= after < first <= last <= _LARGEST_NUMBER
        and 1 <= operations <= last - first + 1
    )
    if not sound:
        raise MalformedOperationError(
            f"{digest[:16]} of stream {stream[:24]!r} is no segment. Ask for the list again."
        )
    return f"crura-segment\n{digest}\n{stream}\n{after}\n{first}\n{last}\n{operations}"
