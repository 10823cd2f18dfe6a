"""What a hub answers in the exchange, as a unit reads it; what it does not expect is left out."""

from typing import Annotated, TypeVar

import msgspec

from api.storage.hub_requests import HubAnswer
from sync.exchange_messages import AnyHeard, Refused
from sync.operation_log import Tip
from sync.signing import BroughtHead

Read = TypeVar("Read")


class SetAsideThere(msgspec.Struct, frozen=True):
    """An own operation that the hub has set aside, and why."""

    op_id: str
    sentence: str


class PushAnswer(msgspec.Struct, frozen=True):
    """Where the own log ends there now, and what was set aside on the way."""

    tip: Tip
    quarantined: tuple[SetAsideThere, ...] = ()


class HeldLog(msgspec.Struct, frozen=True):
    """Up to which counter the hub holds a log."""

    device: str
    epoch: str
    counter: int


class OfferAnswer(msgspec.Struct, frozen=True):
    """How far the logs asked about are held."""

    held: tuple[HeldLog, ...] = ()


# Beyond the largest receipt number of a store there is none.
_Number = Annotated[int, msgspec.Meta(ge=0, le=2**63 - 1)]


class Page(msgspec.Struct, frozen=True):
    """Entries as (receipt number, envelope, body), and where the next page begins.

    ``heads`` are those that the hub signed over its own among them; of an older hub none.
    """

    operations: tuple[tuple[_Number, str, str | None], ...]
    next: _Number
    more: bool
    heads: tuple[BroughtHead, ...] = ()


class UnreadableAnswerError(Exception):
    """The hub's answer is of another shape than the exchange has."""


def read_answer(answer: HubAnswer, shape: type[Read]) -> Read:
    """Return an answer in its shape.

    Raises
    ------
    UnreadableAnswerError
        It is of another shape.
    """
    try:
        return msgspec.convert(answer.content, shape)
    except msgspec.ValidationError as error:
        raise UnreadableAnswerError(str(error)) from error


def tell_refusal(answer: HubAnswer) -> AnyHeard:
    """Return what the exchange hears of a refusal."""
    return Refused(status=answer.status, sentence=answer.sentence)
