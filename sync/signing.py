"""What a device signs: the head of its chain, once a batch. Bytes alone; keys are elsewhere.

Every operation names the hash of the one before it, so that one signature over the last hash of
a chain vouches for every operation up to it.
"""

import re
from collections.abc import Sequence
from itertools import pairwise

from sync.errors import MalformedOperationError
from sync.operation import Operation
from sync.operation_log import Tip

SIGNATURE_BYTES = 64

_DEVICE = re.compile(r"[a-z0-9-]{1,32}")
_EPOCH = re.compile(r"[a-z0-9]{4,16}")
_HASH = re.compile(r"[0-9a-f]{64}")
_LARGEST_COUNTER = 999_999_999_999


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
