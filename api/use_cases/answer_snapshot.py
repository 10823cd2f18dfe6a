"""Answer for snapshots: which sealed segments a stream has, and one of them."""

import gzip
from collections.abc import Iterator
from itertools import takewhile

import msgspec

from api.storage.device_store import Device
from api.storage.snapshots import Segment
from api.storage.unit_store import UnitStore
from api.use_cases.errors import NoSuchSegmentError, NotAllowedError
from api.use_cases.judge_reads import Reading, find_reading, may_read_segment
from sync.operation import read_operation

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
    Rules SN1, SN2, SG10. One transaction a segment: pushes get their turn in between. A segment is
    whole or not at all, so that for a role with a list of fields they end before the first one
    that holds more: from there on the device pulls, and is handed that entry without its body.
    """
    _refuse_foreign(device, stream)
    seal_segments(store, stream)
    reading = find_reading(store.catalogue, device, stream)
    with store.transaction():
        segments = store.snapshots.segments(stream)
    return Snapshot(
        stream, tuple(takewhile(lambda one: _may_read(store, reading, one.digest), segments))
    )


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
        Nothing has this name here, or it holds what the device's role may not read.
    NotAllowedError
        The device's role may not read the stream it belongs to.
    """
    with store.transaction():
        found = store.snapshots.content(digest)
    if found is not None:
        _refuse_foreign(device, found[0])
    if found is None or not _may_read(
        store, find_reading(store.catalogue, device, found[0]), digest
    ):
        message = f"There is no segment {digest[:16]!r} here. Ask for the list again, or pull."
        raise NoSuchSegmentError(message)
    return found[1]


def _may_read(store: UnitStore, reading: Reading, digest: str) -> bool:
    def lines() -> Iterator[tuple[str, str | None]]:
        with store.transaction():
            _, content = store.snapshots.content(digest) or ("", b"")
        for line in gzip.decompress(content).splitlines():
            _, envelope, body = msgspec.json.decode(line, type=tuple[int, str, str | None])
            yield read_operation(envelope, None).kind, body

    return may_read_segment(reading, digest, lines)


def _refuse_foreign(device: Device, stream: str) -> None:
    if stream not in device.streams:
        message = (
            f"A {device.role} device does not read stream {stream[:24]!r}. Leave it out, or join "
            "with an invitation for another role."
        )
        raise NotAllowedError(message)
