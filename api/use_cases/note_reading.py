"""Notes what a device reads at the unit: once for each thing in a quarter of an hour (AU8)."""

from collections import OrderedDict
from threading import Lock

from api.storage.device_store import Device
from api.storage.unit_store import UnitStore
from api.use_cases.note_access import note_read

QUARTER_HOUR_MS = 15 * 60_000
# More than all devices of a large unit read in that time; the oldest is noted once more.
MOST_KEPT = 10_000


class ReadingNotes:
    """What was noted lately, in memory alone: a server that starts anew notes once more."""

    def __init__(self, store: UnitStore) -> None:
        self._store = store
        self._noted: OrderedDict[tuple[str, ...], int] = OrderedDict()
        self._ends: dict[tuple[str, str], int] = {}
        self._lock = Lock()

    def note(
        self,
        device: Device,
        object: str,  # noqa: A002 - the word of the table of access
        *,
        at_ms: int,
        record: str = "",
        why: str = "",
    ) -> None:
        """Note that something is about to be handed to a device; call it before that is done.

        Parameters
        ----------
        record : str
            The record it is about, "" where it is about none.
        why : str
            Which part of the object it is, such as a stream.

        Raises
        ------
        StorageError
            The disk refuses; then nothing may be handed out (AU5).
        """
        key = (device.id, object, record, why)
        with self._lock:
            noted_ms = self._noted.get(key)
            # A clock that was put back notes too often rather than never.
            if noted_ms is not None and 0 <= at_ms - noted_ms < QUARTER_HOUR_MS:
                return
        note_read(
            self._store,
            device.id,
            (record,) if record else (),
            at_ms=at_ms,
            role=device.role,
            object=object,
            why=why,
        )
        with self._lock:
            self._noted[key] = at_ms
            self._noted.move_to_end(key)
            while len(self._noted) > MOST_KEPT:
                self._noted.popitem(last=False)

    def note_pull(self, device: Device, stream: str, after: int, *, at_ms: int) -> None:
        """Note a page of a stream that does not go on where the device's last one ended."""
        with self._lock:
            goes_on = after > 0 and self._ends.get((device.id, stream)) == after
        if not goes_on:
            self.note(device, "stream", at_ms=at_ms, why=stream)

    def keep_end(self, device: Device, stream: str, end: int) -> None:
        """Keep where a page that was handed out ended."""
        with self._lock:
            self._ends[device.id, stream] = end
