"""The exchange, decided: handshake, push, pull. Message in, decision out; nobody is called.

The tablet and the server run the same decisions; HTTP and stores are elsewhere.
"""

from enum import StrEnum
from typing import Annotated

import msgspec

from sync.operation_log import Count, Tip

# Counted up with whatever is said otherwise in the exchange (EX24).
PROTOCOL_VERSION = 1
MAX_BATCH_BYTES = 262_144
MAX_BATCH_COUNT = 1_000
# The first batch and page of a round: small enough for a weak line that breaks every few
# seconds, so that each round gets somewhere (EX14).
FIRST_BATCH_BYTES = 16_384
FIRST_PAGE_COUNT = 100


# A clock may stand before 1970.
WallTime = Annotated[int, msgspec.Meta(ge=1 - 2**53, le=2**53 - 1)]


class LastRead(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The last entry of others that a device read of a stream (EX20).

    ``after`` is the receipt number up to which it had read then, ``hash`` that of the entry.
    """

    after: Count
    hash: str


class Handshake(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a device says first: where its own log ends and how far it has read each stream.

    ``last_read`` is left out before the server has said that it compares it (EX20).
    """

    device: str
    tip: Tip
    cursors: dict[str, Count]
    catalogue: int
    wall_ms: WallTime
    last_read: dict[str, LastRead] = {}


class HandshakeAnswer(msgspec.Struct, frozen=True, kw_only=True):
    """What the server says back.

    ``tip`` is the end of the device's log as the server holds it (same epoch; counter 0 when
    nothing is held); ``hash_at_device_tip`` is set when the server holds at least as much.
    ``heads`` gives the server's last receipt number per stream the device may read; ``epochs`` up
    to which counter it holds each log under the device's name, a copy's among them (EX9);
    ``rows`` that it reads and writes rows, which one of an older release does not (EX18).
    ``last_read`` says how what the device last read agrees with what is held here: "agrees" or
    "differs", "" from a server of an older release, which does not compare (EX20).
    ``signed_heads`` says that it reads the heads which others signed, and hands them out (SG12).
    """

    server: str
    tip: Tip
    hash_at_device_tip: str | None
    heads: dict[str, int]
    wall_ms: int
    epochs: dict[str, int] = {}
    rows: bool = False
    last_read: str = ""
    signed_heads: bool = False


class Standing(StrEnum):
    """How a device's log and the server's copy of it stand to each other."""

    IN_STEP = "in_step"
    SEND = "send"
    DEVICE_BEHIND = "device_behind"
    FORK = "fork"


class Comparison(msgspec.Struct, frozen=True):
    """Outcome of a handshake: the standing, and the counter to send from where it is SEND."""

    standing: Standing
    send_from: int = 0


def compare_tips(
    own: Tip, answer: HandshakeAnswer, own_hash_at_server_tip: str | None
) -> Comparison:
    """Decide what a device does after the handshake.

    Hashes are compared at the lower of both tips, whichever side it lies on (EX2).

    Parameters
    ----------
    own : Tip
        End of the device's own log.
    own_hash_at_server_tip : str or None
        Hash of the device's own operation at ``answer.tip.counter``; "" at counter 0; None
        when the device does not reach so far.

    Notes
    -----
    A server that was restored from an older copy simply has a lower tip: the device sends
    again from there and nothing is lost (EX3). A server that holds more than the device means
    that the device was restored: it must take a new epoch (EX4).
    """
    if answer.tip.counter > own.counter:
        same = own.counter == 0 or answer.hash_at_device_tip == own.hash
        return Comparison(Standing.DEVICE_BEHIND if same else Standing.FORK)
    if own_hash_at_server_tip != answer.tip.hash:
        return Comparison(Standing.FORK)
    if answer.tip.counter == own.counter:
        return Comparison(Standing.IN_STEP)
    return Comparison(Standing.SEND, answer.tip.counter + 1)


def cut_batch(sizes: list[int], most_bytes: int = MAX_BATCH_BYTES) -> int:
    """Return how many operations, of the given sizes in bytes, fit in the next batch (EX5).

    At least one, so that a large operation cannot block the queue. ``most_bytes`` is less than
    a whole batch at the start of a round (EX14).

    Examples
    --------
    >>> cut_batch([300_000, 10])
    1
    >>> cut_batch([100] * 5_000)
    1000
    """
    total = 0
    for count, size in enumerate(sizes[:MAX_BATCH_COUNT]):
        total += size
        if total > most_bytes and count > 0:
            return count
    return min(len(sizes), MAX_BATCH_COUNT)
