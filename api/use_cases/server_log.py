"""What the unit server itself writes into the log, as a device of its own."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import msgspec

from api.storage.signatures import SignedHead
from api.storage.unit_store import UnitStore
from sync.clock import next_stamp, read_stamp
from sync.operation import Body, Operation, make_operation
from sync.signing import write_head_text

SERVER_DEVICE = "unit-server"


class Chance(msgspec.Struct, frozen=True):
    """What one act of the server needs from outside: the time, a salt, and ids.

    Parameters
    ----------
    new_epoch : str
        Begins the server's own log when this generation of the store has none.
    """

    new_id: str
    new_epoch: str
    salt: str
    now_ms: int


class ServerDraft(msgspec.Struct, frozen=True, kw_only=True):
    """One operation that the server is to write; ``retract`` names what was entered in error."""

    record: str
    fields: Mapping[str, Any] = {}
    over: Mapping[str, tuple[str, ...]] = {}
    retract: tuple[str, ...] = ()


def write_as_server(
    store: UnitStore,
    record: str,
    fields: Mapping[str, Any],
    *,
    by: str,
    because: str,
    chance: Chance,
    over: Mapping[str, tuple[str, ...]] | None = None,
) -> None:
    """Write one operation of the server on a record, and sign the head; inside a transaction.

    Parameters
    ----------
    by : str
        The person who acts, ``staff/<id>``.
    """
    draft = ServerDraft(record=record, fields=fields, over=over or {})
    write_all_as_server(store, [draft], by=by, because=because, draw_chance=lambda: chance)


def write_all_as_server(
    store: UnitStore,
    drafts: Sequence[ServerDraft],
    *,
    by: str,
    because: str,
    draw_chance: Callable[[], Chance],
) -> None:
    """Write several operations of one act, and sign the head once; inside a transaction.

    Parameters
    ----------
    draw_chance : callable
        Asked once for each operation: no two have the same salt.
    """
    if not drafts:
        return
    chances = [draw_chance() for _ in drafts]
    # A store put back from a backup has a new generation: it cannot prove that it continues
    # the log that it had written itself (EX4).
    name = epoch_fact(store.fact("generation") or "")
    epoch = store.fact(name)
    if epoch is None:
        epoch = chances[0].new_epoch
        store.keep_fact(name, epoch)
    tip = store.operations.tip_of(SERVER_DEVICE, epoch)
    counter, previous = tip.counter, tip.hash
    last = read_stamp(store.fact("last stamp") or "")
    written = []
    for draft, chance in zip(drafts, chances, strict=True):
        last = next_stamp(last, wall_ms=chance.now_ms, device=SERVER_DEVICE)
        counter += 1
        operation = make_operation(
            device=SERVER_DEVICE,
            epoch=epoch,
            counter=counter,
            previous=previous,
            stream=store.catalogue.kinds[draft.record.split("/", 1)[0]].stream,
            record=draft.record,
            stamp=str(last),
            body=Body(
                salt=chance.salt,
                by=by,
                tapped_by=by,
                catalogue=store.catalogue.version,
                set=dict(draft.fields),
                over=dict(draft.over),
                retract=draft.retract,
                because=because,
            ),
        )
        previous = operation.hash
        written.append(operation)
    store.operations.append(written, received_ms=chances[0].now_ms)
    _sign(store, written[-1])
    store.views.refresh(dict.fromkeys(one.record for one in written))
    store.keep_fact("last stamp", str(last))


def epoch_fact(generation: str) -> str:
    """Return the name of the fact that keeps the epoch of the server's own log."""
    return f"epoch of {generation}"


def _sign(store: UnitStore, last: Operation) -> None:
    """Sign the head of the server's own log (SG7)."""
    key = store.server_key
    store.signatures.enrol(SERVER_DEVICE, key.public_key, last.epoch)
    text = write_head_text(last.device, last.epoch, last.counter, last.hash)
    store.signatures.keep_head(
        SignedHead(
            last.device, last.epoch, last.counter, last.hash, key.key_id, key.sign(text.encode())
        )
    )
