"""What the hub hands out, taken into a unit's store: the hub's own log, and back what is ours."""

from collections.abc import Sequence

import msgspec

from api.storage.unit_store import UnitStore
from api.use_cases.brought_entries import BroughtEntries
from api.use_cases.log_receiver import LogReceiver, SetAside, read_or_explain
from api.use_cases.registry_log import REGISTRY_STREAM, registry_device
from api.use_cases.server_role import HUB_DEVICE
from sync.clock import read_stamp, take_notice
from sync.errors import MalformedOperationError
from sync.operation import Operation
from sync.operation_log import Place

# What the hub writes; what units write begins otherwise, so that neither speaks for the other.
_OF_HUB = "network_"
_LAST_STAMP = "last stamp"

# Receipt number, envelope, body.
Texts = tuple[int, str, str | None]


class TakenPage(msgspec.Struct, frozen=True):
    """What of a page was set aside, and the hash of the last entry of the hub in it ("" none)."""

    set_aside: tuple[SetAside, ...]
    last_of_hub: str


def take_registry(
    store: UnitStore, texts: Sequence[Texts], *, with_own: bool, now_ms: int
) -> TakenPage:
    """Take in one page of the hub's stream; inside a transaction.

    Parameters
    ----------
    with_own : bool
        Own entries were asked for; others never are (SEC-24).

    Notes
    -----
    Rules LG1-LG4, EX7, EX11, RG11. What bears any other name is kept aside and moves no log on.
    """
    own = registry_device(store)
    receiver = LogReceiver(store, now_ms)
    set_aside: list[SetAside] = []
    last_of_hub = ""
    for _, envelope, body in texts:
        try:
            operation, sentence = read_or_explain(envelope, body or "")
        except MalformedOperationError as broken:
            set_aside.append(_keep_aside(store, "", envelope, body, str(broken), now_ms))
            continue
        if operation.device != HUB_DEVICE and not (with_own and operation.device == own):
            refusal = (
                f"{operation.op_id} is neither the hub's nor this unit's own. A hub hands out "
                "nothing else: ask who looks after it."
            )
            set_aside.append(_keep_aside(store, operation.op_id, envelope, body, refusal, now_ms))
            continue
        if body is None:
            # Of an erased record nobody has a body any more; its log goes on over it (ER3).
            is_erased = store.erasures.is_erased(operation.record)
            sentence = None if is_erased else _withheld(operation)
        place = receiver.take(operation, envelope, body or "", sentence or _why_not(operation))
        if place is Place.GAP:
            store.waiting.admit(operation, supplied_by=HUB_DEVICE, received_ms=now_ms)
        elif place is Place.NEXT and operation.device == own:
            store.signatures.note_resupplied(own, operation.epoch, operation.counter)
        if operation.device == HUB_DEVICE:
            last_of_hub = operation.hash
            _take_notice(store, operation, now_ms)
    BroughtEntries(store, receiver, now_ms=now_ms).let_in_waiting()
    receiver.write()
    return TakenPage((*set_aside, *receiver.set_aside), last_of_hub)


def _why_not(operation: Operation) -> str | None:
    """Return why an operation that follows its log cannot count, None where it can."""
    is_hubs = operation.device == HUB_DEVICE
    if operation.stream == REGISTRY_STREAM and operation.kind.startswith(_OF_HUB) == is_hubs:
        return None
    who = "the hub" if is_hubs else "a unit"
    return (
        f"{operation.op_id} writes {operation.kind}, which {who} does not write. It is kept aside "
        "for the data manager."
    )


def _withheld(operation: Operation) -> str:
    return (
        f"{operation.op_id} comes without its content: the hub has set it aside. Nothing is to be "
        "done here."
    )


def _keep_aside(
    store: UnitStore, op_id: str, envelope: str, body: str | None, sentence: str, now_ms: int
) -> SetAside:
    store.operations.quarantine(op_id, envelope, body, sentence, received_ms=now_ms)
    return SetAside(op_id, sentence)


def _take_notice(store: UnitStore, operation: Operation, now_ms: int) -> None:
    """Let what this server writes next bear a later stamp than what it has read (HC2, HC4)."""
    received = read_stamp(operation.stamp)
    if received is None:
        return
    own = take_notice(read_stamp(store.fact(_LAST_STAMP) or ""), received, wall_ms=now_ms)
    if own is not None:
        store.keep_fact(_LAST_STAMP, str(own))
