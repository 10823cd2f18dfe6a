"""The signature of a push: who has a key must have signed the head of what it sends."""

from collections.abc import Sequence

import msgspec

from api.storage.p256 import read_base64
from api.storage.signatures import DeviceKey, SignedHead, is_head_signed
from api.storage.unit_store import UnitStore
from api.use_cases.log_receiver import SetAside
from sync.operation import Operation
from sync.signing import find_head


class PushVerdict(msgspec.Struct, frozen=True):
    """What a push may do.

    ``head`` is kept with its signature; ``refusal`` says why nothing may be taken in, "" when
    it may. A device that has no key yet has neither.
    """

    head: SignedHead | None = None
    refusal: str = ""


def judge_signed(
    key: DeviceKey | None, device: str, operations: Sequence[Operation], signature: str | None
) -> PushVerdict:
    """Say whether a batch is signed by the device's newest key; it asks no store.

    Parameters
    ----------
    key : DeviceKey or None
        None of a device that has none yet.
    signature : str or None
        Base64 of 64 bytes over `write_head_text` of the last operation.

    Notes
    -----
    Rules SG3, SG4.
    """
    if key is None:
        return PushVerdict()
    head = find_head(operations)
    if head is None:
        return PushVerdict(refusal=_refusal(device, "is not one chain that a signature can cover"))
    if signature is None:
        return PushVerdict(refusal=_refusal(device, "is not signed"))
    signed = SignedHead(
        device, head.epoch, head.counter, head.hash, key.key_id, read_base64(signature) or b""
    )
    if not is_head_signed(signed, key):
        return PushVerdict(refusal=_refusal(device, "is not signed by the device's key"))
    return PushVerdict(signed)


def _refusal(device: str, why: str) -> str:
    return (
        f"ALARM: what came as {device} {why}, so somebody else may have sent it. Nothing of it was "
        "taken in. Data manager: find out who sent it; if it was the device, join it again by a "
        "new invitation and it sends its entries itself."
    )


def set_all_aside(
    store: UnitStore,
    read: Sequence[tuple[Operation, tuple[str, str]]],
    refusal: str,
    *,
    now_ms: int,
) -> tuple[SetAside, ...]:
    """Keep the texts of a refused batch for a person and move no log on.

    What is held here already is left out: it changes nothing, and who repeats it learns nothing.
    """
    set_aside = []
    counters: dict[tuple[str, str], set[int]] = {}
    for operation, _ in read:
        counters.setdefault((operation.device, operation.epoch), set()).add(operation.counter)
    held = {log: store.operations.held_at(*log, places) for log, places in counters.items()}
    for operation, (envelope, body) in read:
        there = held[operation.device, operation.epoch].get(operation.counter)
        if there is not None and there.hash == operation.hash:
            continue
        store.operations.quarantine(operation.op_id, envelope, body, refusal, received_ms=now_ms)
        set_aside.append(SetAside(operation.op_id, refusal))
    return tuple(set_aside)
