"""Logs: one chain of operations per device and epoch, and where each chain ends."""

from collections.abc import Iterable
from enum import StrEnum
from typing import Annotated

import msgspec

from sync.errors import BrokenChainError
from sync.operation import Operation

# Whole numbers that JSON carries everywhere, and that SQLite keeps (OP6).
Count = Annotated[int, msgspec.Meta(ge=0, le=2**53 - 1)]


class Tip(msgspec.Struct, frozen=True):
    """Where a log ends: the counter of its last operation (0 when empty) and that one's hash."""

    epoch: str
    counter: Count
    hash: str


class Place(StrEnum):
    """Where an operation stands to a log that is held."""

    NEXT = "next"
    HELD = "held"
    GAP = "gap"
    FORK = "fork"


def place_operation(tip: Tip | None, operation: Operation, held_hash: str | None) -> Place:
    """Say where an operation stands to the log of its device and epoch.

    Parameters
    ----------
    tip : Tip or None
        End of the held log of the same device and epoch; None when nothing is held.
    held_hash : str or None
        Hash held at the operation's own counter, None when nothing is held there.

    Notes
    -----
    Rules LG1-LG4. Other bytes under a known counter, or another past before the next one,
    are a FORK: a copied or restored device.
    """
    if held_hash is not None:
        return Place.HELD if held_hash == operation.hash else Place.FORK
    counter, before = (tip.counter, tip.hash) if tip else (0, "")
    if operation.counter != counter + 1:
        return Place.GAP
    return Place.NEXT if operation.previous == before else Place.FORK


def verify_chain(operations: Iterable[Operation]) -> Tip | None:
    """Walk one device's log from its first operation and return its tip.

    Raises
    ------
    BrokenChainError
        The first operation that does not continue the one before it; the sentence names it.
    """
    tip: Tip | None = None
    for operation in operations:
        place = place_operation(tip, operation, None)
        if place is not Place.NEXT:
            raise BrokenChainError(
                f"{operation.op_id} does not continue the log before it ({place}). "
                "Everything before it is sound; restore from there and exchange again."
            )
        tip = Tip(operation.epoch, operation.counter, operation.hash)
    return tip
