"""Whether this server's clock was put back, by what it and other devices wrote before."""

from datetime import UTC, datetime

from api.storage.unit_store import UnitStore
from api.use_cases.errors import CalculationError
from api.use_cases.registry_log import registry_device
from api.use_cases.server_log import SERVER_DEVICE
from sync.clock import MAX_LEAD_MS, read_stamp


def find_present(store: UnitStore, now_ms: int) -> int:
    """Return the time by which today is told, never before what two devices wrote last (RG23).

    The server and any other: one alone says nothing, for its own clock may have been ahead.

    Parameters
    ----------
    now_ms : int
        By the clock of this server, milliseconds since 1970.

    Raises
    ------
    CalculationError
        Both wrote more than a day after now: the clock is wrong, and by it cases would vanish.
    """
    with store.transaction():
        own = {SERVER_DEVICE, registry_device(store)}
        others = {device for device, _ in store.operations.logs()} - own
        seen_ms = min(_find_last_ms(store, own), _find_last_ms(store, others))
    if seen_ms > now_ms + MAX_LEAD_MS:
        message = (
            f"The clock of this server says {_day(now_ms)}, and it and another device wrote here "
            f"until {_day(seen_ms)}. Nothing new is told to the hub. Set the clock of this server."
        )
        raise CalculationError(message)
    return max(now_ms, seen_ms)


def _find_last_ms(store: UnitStore, devices: set[str]) -> int:
    """Return when one of the devices wrote last, each by its own clock; 0 where none did."""
    lasts = (
        read_stamp(entry.operation.stamp)
        for device in devices
        for epoch, counter in store.operations.counters_of(device).items()
        for entry in store.registry.of_log_from(device, epoch, first=counter, limit=1)
        if not entry.trouble
    )
    return max((stamp.wall_ms for stamp in lasts if stamp is not None), default=0)


def _day(ms: int) -> str:
    return datetime.fromtimestamp(ms / 1_000, UTC).date().isoformat()
