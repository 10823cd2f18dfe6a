"""What the device's side of the exchange hears and says; twin of `exchange-messages.ts`.

Heard messages are answers with the facts of the own store that the decision needs; said ones are
either one request to the unit or a change of the own store. Keys are those of the vectors.
"""

from typing import Any

import msgspec

from sync.exchange import HandshakeAnswer
from sync.operation_log import Tip


class Heard(
    msgspec.Struct, frozen=True, kw_only=True, tag_field="kind", forbid_unknown_fields=True
):
    """Anything the machine hears."""


class Start(Heard, frozen=True, kw_only=True, tag="start"):
    """Begin a round.

    Parameters
    ----------
    epochs : own epochs to speak of, in the order of their logs.
    open_case : record of the case on screen, "" for none; its entries come first.
    is_recovering : the own store is an older copy and asks for its own entries too.
    is_offering : the unit was put back and has not been offered everything yet.
    """

    epochs: tuple[str, ...]
    streams: tuple[str, ...]
    open_case: str = ""
    is_recovering: bool = False
    is_offering: bool = False


class Greeted(Heard, frozen=True, kw_only=True, tag="greeted"):
    """The unit answered a handshake.

    Parameters
    ----------
    asked : the tip that the handshake stated.
    own : end of the own log of that epoch.
    own_hash : own hash at the counter of the unit's tip, None where the log ends before.
    held : counter up to which the unit held that epoch when last asked.
    is_other_server : another server has answered before.
    own_logs : up to which counter each log under the own name is held or was read back.
    """

    asked: Tip
    own: Tip
    own_hash: str | None
    held: int
    cursors: dict[str, int]
    is_other_server: bool
    answer: HandshakeAnswer
    own_logs: dict[str, int] = {}


class Pushed(Heard, frozen=True, kw_only=True, tag="pushed"):
    """The unit answered a push; ``sent`` 0 means that nothing was left to send."""

    sent: int
    tip: Tip | None = None


class Reissued(Heard, frozen=True, kw_only=True, tag="reissued"):
    """The own branch of a fork was written again in this epoch."""

    epoch: str


class Offered(Heard, frozen=True, kw_only=True, tag="offered"):
    """The unit answered an offer; ``last`` is the last operation sent, "" when none is left."""

    last: str


class Pulled(Heard, frozen=True, kw_only=True, tag="pulled"):
    """A page was applied; ``after`` and ``next`` are receipt numbers.

    ``is_empty``: there was no entry on it.
    """

    after: int
    next: int
    more: bool
    is_empty: bool = False


class Refused(Heard, frozen=True, kw_only=True, tag="refused"):
    """The unit said no, with its sentence; the status is that of HTTP."""

    status: int
    sentence: str


class NoAnswer(Heard, frozen=True, kw_only=True, tag="no_answer"):
    """Nothing is known about what was done."""


AnyHeard = Start | Greeted | Pushed | Reissued | Offered | Pulled | Refused | NoAnswer


class Said(msgspec.Struct, frozen=True, kw_only=True, tag_field="kind"):
    """Anything the machine says."""


class Greet(Said, frozen=True, kw_only=True, tag="greet"):
    """Request: a handshake that states the own log at ``counter``; None means at its end."""

    epoch: str
    counter: int | None = None


class Push(Said, frozen=True, kw_only=True, tag="push"):
    """Request: own operations from a counter on, cut at ``most_bytes``."""

    epoch: str
    first: int
    most_bytes: int


class Offer(Said, frozen=True, kw_only=True, tag="offer"):
    """Request: operations of others that the unit lacks, after the last one offered."""

    after: str


class Pull(Said, frozen=True, kw_only=True, tag="pull"):
    """Request: a page of a stream; ``record`` names the one case wanted, "" the whole stream.

    ``after`` is set for a case alone, whose pages leave the stream's cursor where it is.
    """

    stream: str
    limit: int
    record: str = ""
    after: int | None = None
    with_own: bool = False


class NoteHeld(Said, frozen=True, kw_only=True, tag="note_held"):
    """Store: the unit holds an own epoch up to a counter."""

    epoch: str
    counter: int


class Recover(Said, frozen=True, kw_only=True, tag="recover"):
    """Store: this is an older copy: go on in a new epoch, read all again, own entries too."""

    epoch: str


class ReadOwn(Said, frozen=True, kw_only=True, tag="read_own"):
    """Store: a copy has written under the own name: read all again, own entries too."""


class Reissue(Said, frozen=True, kw_only=True, tag="reissue"):
    """Store: write own operations from a counter on again in a new epoch, and say which."""

    epoch: str
    first: int


class BeginOffer(Said, frozen=True, kw_only=True, tag="begin_offer"):
    """Store: the unit was put back: read all again, and remember to offer what others wrote."""


class EndOffer(Said, frozen=True, kw_only=True, tag="end_offer"):
    """Store: everything was offered."""


class EndRecovery(Said, frozen=True, kw_only=True, tag="end_recovery"):
    """Store: the own entries are back."""


class Finish(Said, frozen=True, kw_only=True, tag="finish"):
    """The round is over: ``done``, ``refused`` or ``no_network``; a sentence for a person."""

    outcome: str
    sentence: str = ""


def read_heard(content: Any) -> AnyHeard:  # noqa: ANN401  any JSON
    """Return the message that decoded JSON holds."""
    heard: AnyHeard = msgspec.convert(content, AnyHeard)
    return heard
