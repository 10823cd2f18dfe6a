"""What the exchange with the hub changes in a unit's own store, as the machine says it."""

import msgspec

from api.storage.signatures import SignedHead
from api.storage.unit_store import UnitStore
from api.use_cases.registry_log import begin_epoch, present_epoch, registry_device, registry_key
from sync.exchange import HandshakeAnswer
from sync.exchange_messages import (
    AnyHeard,
    BeginOffer,
    EndOffer,
    EndRecovery,
    NoteHeld,
    ReadOwn,
    Recover,
    Reissue,
    Reissued,
    Said,
)
from sync.operation import Operation
from sync.reissue import reissue_branch
from sync.signing import write_head_text

_ALL = 2**31
COPY_SENTENCE = (
    "Another server has written under this unit's name, so a copy of it may be running. What was "
    "written here was sent again; find the copy and stop it."
)

MORE_SENTENCE = (
    "The hub held more under this unit's name than this store did, and it was read back: the store "
    "was put back to an older copy, or a copy of the server is running elsewhere."
)


def change_line(
    store: UnitStore, said: Said, *, heard: HandshakeAnswer, new_epoch: str, now_ms: int
) -> AnyHeard | None:
    """Do what the machine says to the store; only a re-issue is heard back. In a transaction.

    Parameters
    ----------
    heard : HandshakeAnswer
        What the hub said last of its store and of this unit's logs.

    Notes
    -----
    Rules EX4, EX9, EX10.
    """
    own = registry_device(store)
    match said:
        case NoteHeld(epoch=epoch, counter=counter):
            tip = store.operations.tip_of(own, epoch)
            store.hub_line.note_held(epoch, min(counter, tip.counter))
        case Recover(epoch=epoch):
            if present_epoch(store, new_epoch=new_epoch) == epoch:
                begin_epoch(store, new_epoch=new_epoch)
            _read_all_again(store, is_recovering=True)
        case ReadOwn():
            _read_all_again(store, is_recovering=True)
        case Reissue(epoch=epoch, first=first):
            reissued = _write_again(store, own, epoch, first, new_epoch=new_epoch, now_ms=now_ms)
            _read_all_again(store, is_recovering=True)
            return Reissued(epoch=reissued)
        case BeginOffer():
            store.hub_line.forget_held()
            _read_all_again(store, is_offering=True, server=heard.server)
        case EndOffer():
            _note(store, is_offering=False)
        case EndRecovery():
            _note(store, is_recovering=False)
            for epoch, counter in heard.epochs.items():
                store.hub_line.note_held(epoch, counter)
    return None


def _read_all_again(store: UnitStore, **changed: object) -> None:
    _note(store, read_to=0, last_read_after=0, last_read_hash="", **changed)


def _note(store: UnitStore, **changed: object) -> None:
    line = store.hub_line.find()
    if line is not None:
        store.hub_line.keep(msgspec.structs.replace(line, **changed))


def _write_again(
    store: UnitStore, own: str, epoch: str, first: int, *, new_epoch: str, now_ms: int
) -> str:
    """Write the own branch of a fork again in a new epoch, keep its texts aside, and return it."""
    present = present_epoch(store, new_epoch=new_epoch)
    if present == epoch:
        present = begin_epoch(store, new_epoch=new_epoch)
    entries = store.registry.of_log_from(own, epoch, first=first, limit=_ALL)
    branch = [entry.operation for entry in entries]
    tip = store.operations.tip_of(own, present)
    again = reissue_branch(branch, epoch=present, counter=tip.counter, previous=tip.hash)
    for one in branch:
        store.operations.quarantine(
            one.op_id, one.envelope_text, one.body_text, COPY_SENTENCE, received_ms=now_ms
        )
    store.registry.take_out(own, epoch, first=first)
    store.operations.append(again, received_ms=now_ms)
    store.views.refresh({one.record for one in branch})
    if again:
        _sign(store, again[-1])
    store.hub_line.note_held(epoch, first - 1)
    return present


def _sign(store: UnitStore, last: Operation) -> None:
    key = registry_key(store)
    text = write_head_text(last.device, last.epoch, last.counter, last.hash)
    store.signatures.keep_head(
        SignedHead(
            last.device, last.epoch, last.counter, last.hash, key.key_id, key.sign(text.encode())
        )
    )
