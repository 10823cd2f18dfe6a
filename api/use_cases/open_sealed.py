"""Open what a locked tablet sends: entries sealed for this unit while the tablet was open (SE3)."""

from collections.abc import Sequence

import msgspec

from api.storage.device_store import Device
from api.storage.p256 import read_base64
from api.storage.sealing import about_entry, open_sealed
from api.storage.unit_store import UnitStore
from api.use_cases.errors import UnreadablePushError
from api.use_cases.read_batch import Texts, refuse_count
from api.use_cases.receive_push import PushAnswer, receive_push

# Epoch and counter of the entry, and its sealed bytes in base64.
SealedEntry = tuple[str, int, str]


def receive_sealed(
    store: UnitStore,
    device: Device,
    entries: Sequence[SealedEntry],
    *,
    now_ms: int,
    signature: str | None = None,
) -> PushAnswer:
    """Open a sealed batch and take it in as a push; when this returns, all of it is on disk.

    Raises
    ------
    UnreadablePushError
        An entry does not open, holds no texts, or leaves a gap. Nothing is written.
    NotAllowedError
        An operation was made by another device. Nothing is written.
    TooLargeError
        More operations than a batch may hold. Nothing is written.

    Notes
    -----
    Rules SE1-SE3; from there on those of `receive_push`.
    """
    refuse_count(entries)
    texts = [_open(store, device.id, entry) for entry in entries]
    return receive_push(store, device, texts, now_ms=now_ms, signature=signature)


def _open(store: UnitStore, device: str, entry: SealedEntry) -> Texts:
    epoch, counter, sealed = entry
    about = about_entry(device, epoch, counter)
    content = open_sealed(store.server_key, about, read_base64(sealed) or b"")
    try:
        if content is not None:
            return msgspec.json.decode(content, type=tuple[str, str])
    except (msgspec.MsgspecError, UnicodeDecodeError):
        pass
    # Never what was sent: it may be of a patient, and says nothing to whoever reads this.
    message = (
        f"Entry {counter} of this tablet was not sealed for this unit. Unlock the tablet: it then "
        "sends its entries itself."
    )
    raise UnreadablePushError(message)
