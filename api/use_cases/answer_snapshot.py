"""Answer for snapshots: which sealed segments a stream has, and one of them."""

import msgspec

from api.storage.device_store import Device
from api.storage.snapshots import Segment
from api.storage.unit_store import UnitStore
from api.use_cases.errors import NoSuchSegmentError, NotAllowedError

# The fact that keeps under which key the segments here were sealed.
_SEALED_UNDER = "key of the segments"


class Snapshot(msgspec.Struct, frozen=True):
    """The segments of one stream, oldest first.

    The key that signed them is not told here: a device has it from joining (SG10).
    """

    stream: str
    segments: tuple[Segment, ...]


def list_segments(store: UnitStore, device: Device, stream: str) -> Snapshot:
    """Seal what is due in a stream and return its segments.

    Raises
    ------
    NotAllowedError
        The device's role may not read this stream.

    Notes
    -----
    Rules SN1, SN2, SG10. One transaction a segment: pushes get their turn in between.
    """
    _refuse_foreign(device, stream)
    seal_segments(store, stream)
    with store.transaction():
        segments = tuple(store.snapshots.segments(stream))
    return Snapshot(stream, segments)


def seal_segments(store: UnitStore, stream: str) -> int:
    """Seal every segment that is due in a stream and return how many there were.

    A unit that has another key than before (put up on another machine) seals all of them anew.
    """
    with store.transaction():
        if not are_sealed_under_key(store):
            store.snapshots.clear()
            store.keep_fact(_SEALED_UNDER, store.server_key.key_id)
    count = 0
    while True:
        with store.transaction():
            if not store.snapshots.seal_next(stream, store.server_key):
                return count
        count += 1


def are_sealed_under_key(store: UnitStore) -> bool:
    """Say whether the segments here were sealed under the key that the server has now."""
    return store.fact(_SEALED_UNDER) == store.server_key.key_id


def give_segment(store: UnitStore, device: Device, digest: str) -> bytes:
    """Return the bytes of one segment.

    Raises
    ------
    NoSuchSegmentError
        Nothing has this name here.
    NotAllowedError
        The device's role may not read the stream it belongs to.
    """
    with store.transaction():
        found = store.snapshots.content(digest)
    if found is None:
        message = f"There is no segment {digest[:16]!r} here. Ask for the list again, or pull."
        raise NoSuchSegmentError(message)
    _refuse_foreign(device, found[0])
    return found[1]


def _refuse_foreign(device: Device, stream: str) -> None:
    if stream not in device.streams:
        message = (
            f"A {device.role} device does not read stream {stream[:24]!r}. Leave it out, or join "
            "with an invitation for another role."
        )
        raise NotAllowedError(message)
