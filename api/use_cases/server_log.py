"""What the server itself writes into its logs, as a device of its own.

What is for the network (stream `registry`) goes into a log of its own, so that a hub is handed
that log whole and nothing else (RG10); everything else goes into the log of `unit-server`.
"""

from collections.abc import Callable, Mapping, Sequence
from itertools import groupby
from typing import Any

import msgspec

from api.storage.server_key import ServerKey
from api.storage.signatures import SignedHead
from api.storage.unit_store import UnitStore
from api.use_cases.registry_log import REGISTRY_STREAM, find_registry_log, registry_key
from sync.clock import next_stamp, read_stamp
from sync.operation import Body, Operation, make_operation
from sync.operation_log import Tip
from sync.signing import write_head_text

SERVER_DEVICE = "unit-server"
# In a server process that shares its store each keeps its own clock.
_LAST_STAMP = "last stamp"


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
    pairs = [(draft, draw_chance()) for draft in drafts]
    for log, run in groupby(pairs, key=lambda pair: _log_of(store, *pair)):
        _write_into(store, log, list(run), by=by, because=because)


def epoch_fact(generation: str) -> str:
    """Return the name of the fact that keeps the epoch of the server's own log."""
    return f"epoch of {generation}"


class _Log(msgspec.Struct, frozen=True):
    """A log of the server: whose name it bears, in which epoch, and for whom it is signed."""

    device: str
    epoch: str
    is_registry: bool = False


def _log_of(store: UnitStore, draft: ServerDraft, chance: Chance) -> _Log:
    if _stream_of(store, draft.record) == REGISTRY_STREAM:
        found = find_registry_log(store, draft.record, draft.fields, new_epoch=chance.new_epoch)
        return _Log(found.device, found.epoch, is_registry=True)
    # A store put back from a backup has a new generation: it cannot prove that it continues
    # the log that it had written itself (EX4).
    name = epoch_fact(store.fact("generation") or "")
    name = f"{name} in {store.process}" if store.process else name
    epoch = store.fact(name)
    if epoch is None:
        epoch = chance.new_epoch
        store.keep_fact(name, epoch)
    return _Log(SERVER_DEVICE, epoch)


def _stream_of(store: UnitStore, record: str) -> str:
    return store.catalogue.kinds[record.split("/", 1)[0]].stream


def _write_into(
    store: UnitStore,
    log: _Log,
    pairs: Sequence[tuple[ServerDraft, Chance]],
    *,
    by: str,
    because: str,
) -> None:
    tip: Tip = store.operations.tip_of(log.device, log.epoch)
    counter, previous = tip.counter, tip.hash
    clock = f"{_LAST_STAMP} in {store.process}" if store.process else _LAST_STAMP
    last = read_stamp(store.fact(clock) or "")
    written = []
    for draft, chance in pairs:
        last = next_stamp(last, wall_ms=chance.now_ms, device=log.device)
        counter += 1
        operation = make_operation(
            device=log.device,
            epoch=log.epoch,
            counter=counter,
            previous=previous,
            stream=_stream_of(store, draft.record),
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
    store.operations.append(written, received_ms=pairs[0][1].now_ms)
    _sign(store, log, written[-1])
    store.views.refresh(dict.fromkeys(one.record for one in written))
    store.keep_fact(clock, str(last))


def _sign(store: UnitStore, log: _Log, last: Operation) -> None:
    """Sign the head of one of the server's own logs (SG7)."""
    key: ServerKey = registry_key(store) if log.is_registry else store.server_key
    store.signatures.enrol(log.device, key.public_key, last.epoch)
    text = write_head_text(last.device, last.epoch, last.counter, last.hash)
    store.signatures.keep_head(
        SignedHead(
            last.device, last.epoch, last.counter, last.hash, key.key_id, key.sign(text.encode())
        )
    )
