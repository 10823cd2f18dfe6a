"""Verify signatures: of each log against its device's keys, and of the heads that were sealed."""

from collections.abc import Iterator, Sequence

import msgspec

from api.storage.p256 import name_key
from api.storage.seal import read_seal
from api.storage.signatures import DeviceKey, SignedHead, is_head_signed
from api.storage.unit_store import UnitStore
from api.use_cases.server_log import SERVER_DEVICE, epoch_fact
from sync.errors import SyncError

_WHAT_TO_DO = "Restore the store from a backup; the devices send the rest again."


class LogStanding(msgspec.Struct, frozen=True):
    """What is wrong with the signatures of one log, and whether it is signed to its end."""

    findings: tuple[str, ...]
    is_signed: bool


def judge_log_signatures(
    store: UnitStore, device: str, epoch: str, hashes: Sequence[str]
) -> LogStanding:
    """Hold the signed heads of one log against its walked chain; inside a transaction.

    Parameters
    ----------
    hashes : sequence of str
        Hash of each operation of the log, counter 1 first, as the walk found them.

    Notes
    -----
    Rule SG8.
    """
    keys = store.signatures.keys_of(device)
    heads = store.signatures.heads_of_log(device, epoch)
    findings = [finding for head in heads for finding in _judge_head(store, head, keys, hashes)]
    signed_to = max((head.counter for head in heads if _is_held(head, hashes)), default=0)
    must_be = _must_be_signed_to(store, device, epoch, keys)
    if signed_to < must_be:
        findings.append(
            f"{device}.{epoch}.{signed_to + 1} and what follows it came without a signature of "
            f"its device, which signs. {_WHAT_TO_DO}"
        )
    return LogStanding(tuple(findings), is_signed=signed_to >= len(hashes))


def _judge_head(
    store: UnitStore, head: SignedHead, keys: Sequence[DeviceKey], hashes: Sequence[str]
) -> Iterator[str]:
    name = f"{head.device}.{head.epoch}.{head.counter}"
    place = next((number for number, key in enumerate(keys) if key.key_id == head.key_id), None)
    if place is None or name_key(keys[place].public_key) != head.key_id:
        yield f"{name} is signed by a key that {head.device} never enrolled. {_WHAT_TO_DO}"
        return
    if any(key.from_epoch == head.epoch for key in keys[place + 1 :]):
        yield f"{name} is signed by a key that was replaced before. {_WHAT_TO_DO}"
    try:
        is_sound = is_head_signed(head, keys[place])
    except SyncError as error:
        yield str(error)
        return
    if not is_sound:
        yield f"The signature over {name} is not that of its device. {_WHAT_TO_DO}"
    elif not (
        _is_held(head, hashes)
        or store.operations.is_in_quarantine(name, head.hash)
        or store.waiting.find(head.device, head.epoch, head.counter, head.hash)
    ):
        yield f"{name} was signed by its device and is not held here. {_WHAT_TO_DO}"


def _is_held(head: SignedHead, hashes: Sequence[str]) -> bool:
    return 1 <= head.counter <= len(hashes) and hashes[head.counter - 1] == head.hash


def _must_be_signed_to(store: UnitStore, device: str, epoch: str, keys: Sequence[DeviceKey]) -> int:
    if not keys:
        return 0
    if device == SERVER_DEVICE and epoch not in _server_epochs(store, keys):
        # A log of another unit's server, brought by a bundle.
        return 0
    last = store.signatures.last_counter_after(device, epoch, keys[0].after_seq)
    return last if last > store.signatures.resupplied_up_to(device, epoch) else 0


def _server_epochs(store: UnitStore, keys: Sequence[DeviceKey]) -> set[str | None]:
    now = store.fact(epoch_fact(store.fact("generation") or ""))
    return {now, *(key.from_epoch for key in keys)}


def judge_sealed_heads(store: UnitStore) -> Iterator[str]:
    """Yield what a broken seal tells: that it broke, and each log that ends before it did then.

    Notes
    -----
    Rule SG9.
    """
    path = store.broken_seal()
    if path is None:
        return
    yield (
        f"The file was changed while the unit was closed: its seal ({path.name}) did not fit when "
        f"it was opened. {_WHAT_TO_DO}"
    )
    seal = read_seal(path)
    for head in seal.heads if seal else ():
        if store.operations.hash_at(head.device, head.epoch, head.counter) != head.hash:
            yield (
                f"{head.device}.{head.epoch}.{head.counter} was held when the unit was closed and "
                f"is gone or changed. {_WHAT_TO_DO}"
            )
