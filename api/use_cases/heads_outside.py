"""Heads of a day that are kept outside the store: written by it, and held against it later."""

from collections.abc import Iterable, Iterator
from pathlib import Path

import msgspec

from api.storage.access_log import sign_access_head
from api.storage.errors import StorageError
from api.storage.outside_heads import (
    OutsideHeads,
    file_of_day,
    read_heads,
    sign_heads,
    write_heads,
)
from api.storage.unit_store import UnitStore
from api.use_cases.server_log import SERVER_DEVICE

_WHAT_TO_DO = (
    "Keep this folder as it is for whoever investigates. After a backup was put back, devices "
    "bring again what they hold; what is still told then was lost."
)


class WrittenHeads(msgspec.Struct, frozen=True, kw_only=True):
    """Where the heads of a day lie, and when they were written."""

    as_of_on: str
    at_ms: int
    path: Path


def write_heads_of_day(store: UnitStore, place: Path, *, on: str, at_ms: int) -> WrittenHeads:
    """Write where every log and the trail end into a file of a day; one that is there stays.

    Raises
    ------
    StorageError
        A file of that day is there and is not of this server.
    OSError
        The place refuses.
    """
    path = file_of_day(place, on, store.server_key)
    if path.exists():
        held = read_heads(path)
        if not held.is_sound or held.key_id != store.server_key.key_id or held.on != on:
            raise StorageError(f"{path} was not written by this server. Look who changed it.")
        return WrittenHeads(as_of_on=on, at_ms=held.at_ms, path=path)
    with store.transaction():
        access = sign_access_head(store.access, store.server_key, at_ms=at_ms)
        heads = sign_heads(on, access, store.heads_to_seal(), store.server_key, at_ms=at_ms)
    try:
        write_heads(path, heads)
    except FileExistsError:
        # Another process of this hub was quicker.
        return write_heads_of_day(store, place, on=on, at_ms=at_ms)
    return WrittenHeads(as_of_on=on, at_ms=at_ms, path=path)


def judge_outside_heads(store: UnitStore, outside: Iterable[OutsideHeads]) -> Iterator[str]:
    """Yield a sentence for each log that ends before it once did, or differs; in a transaction.

    The heads of the trail that they hold are judged with the trail (AU3).
    """
    known = {
        *(key.key_id for key in store.server_key.every),
        *(key.key_id for key in store.signatures.keys_of(SERVER_DEVICE)),
    }
    for heads in outside:
        name = f"The heads of {heads.on}, kept outside,"
        if not heads.is_sound:
            yield f"{name} are not what their key signed. {_WHAT_TO_DO}"
        elif heads.key_id not in known:
            yield f"{name} are signed by a key that this server never had. {_WHAT_TO_DO}"
        else:
            for one in heads.logs:
                if store.operations.hash_at(one.device, one.epoch, one.counter) != one.hash:
                    yield (
                        f"{one.device}.{one.epoch}.{one.counter} was held on {heads.on} and is "
                        f"gone or changed. {_WHAT_TO_DO}"
                    )
