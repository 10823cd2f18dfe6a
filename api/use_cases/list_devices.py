"""List the devices of the unit: when each was last here, which are silent, and what each told.

Whoever has work that the unit lacks, and is silent, stands first (HAZ-35, DM-01).
"""

from typing import Literal

import msgspec

from api.storage.device_store import Device, Enrolled, RecoveryKept
from api.storage.unit_store import UnitStore
from api.use_cases.confirm_device import fingerprint_of
from api.use_cases.device_standing import ToldRow, read_told_rows
from api.use_cases.errors import NotAllowedError
from api.use_cases.invite_device import TEN_MINUTES_MS

HOUR_MS = 3_600_000
# Unit setting (project default): from a day on somebody looks for it, from three days on the lead.
SILENT_FROM_MS = 24 * HOUR_MS
ESCALATED_FROM_MS = 72 * HOUR_MS

Silence = Literal["none", "silent", "escalated"]
Recovery = Literal["none", "asked", "open", "over", "refused"]


class DeviceRow(msgspec.Struct, frozen=True, kw_only=True):
    """One device: its last exchange, or that there was none, and what its silence asks for.

    One that waits is not in yet; ``recovery`` says whether it does so for its data key (SE4):
    ``asked`` before its digits were compared, ``open`` for ten minutes after that, ``over`` where
    it did not fetch the key in them, ``refused`` until it joins anew. ``fingerprint`` is the six
    digits of its key, "" without one. ``told`` is what it said of itself, None where it said
    nothing since it joined.

    Times are wall milliseconds of the unit's server; the clock's offset is device less server.
    """

    id: str
    name: str
    role: str
    joined_ms: int
    last_contact_ms: int | None
    clock_offset_ms: int | None
    silent_ms: int
    silence: Silence
    is_waiting: bool
    fingerprint: str
    recovery: Recovery
    told: ToldRow | None = None


class Devices(msgspec.Struct, frozen=True):
    """Every device that the unit expects to hear of.

    A silent one that had unsent work when it last told comes first, then the longest silent.
    """

    devices: tuple[DeviceRow, ...]


def list_devices(
    store: UnitStore, device: Device, *, now_ms: int, served_build: str = ""
) -> Devices:
    """Return the devices that joined and were not revoked, to one of them.

    Raises
    ------
    NotAllowedError
        The asking device reads no care: which tablets there are is no business of booking.
    """
    if "care" not in device.streams:
        raise NotAllowedError("The list of devices is for bedside devices. Ask one of those.")
    return list_all_devices(store, now_ms=now_ms, served_build=served_build)


def list_all_devices(store: UnitStore, *, now_ms: int, served_build: str = "") -> Devices:
    """Return the devices that joined and were not revoked, to who looks after them.

    Parameters
    ----------
    served_build : str
        Build of the app that the server hands out, "" where none asks.
    """
    with store.transaction():
        told = read_told_rows(store, now_ms=now_ms, served_build=served_build)
        rows = [
            _row(one, now_ms, fingerprint_of(store, one.id), told.get(one.id))
            for one in store.devices.expected()
        ]
    return Devices(tuple(sorted(rows, key=_look_first)))


def _look_first(row: DeviceRow) -> tuple[bool, int, str]:
    has_work_away = row.silence != "none" and row.told is not None and row.told.has_unsent
    return not has_work_away, -row.silent_ms, row.id


def judge_silence(silent_ms: int) -> Silence:
    """Say what a silence of so many milliseconds asks for."""
    if silent_ms >= ESCALATED_FROM_MS:
        return "escalated"
    return "silent" if silent_ms >= SILENT_FROM_MS else "none"


def judge_recovery(kept: RecoveryKept, *, now_ms: int) -> Recovery:
    """Say how the asking of a device for its data key stands at a moment (SE4)."""
    if kept.refused_ms is not None:
        return "refused"
    if not kept.is_asked:
        return "none"
    if kept.let_in_ms is None:
        return "asked"
    return "open" if kept.let_in_ms > now_ms - TEN_MINUTES_MS else "over"


def _row(one: Enrolled, now_ms: int, fingerprint: str, told: ToldRow | None) -> DeviceRow:
    # A device that joined and never exchanged is as silent as one in a drawer; one that joined
    # again after its last exchange has been here since.
    here_ms = max(one.joined_ms, one.last_seen_ms or 0)
    # A server's clock that was put back makes nobody silent.
    silent_ms = max(0, now_ms - here_ms)
    return DeviceRow(
        id=one.id,
        name=one.name,
        role=one.role,
        joined_ms=one.joined_ms,
        last_contact_ms=one.last_seen_ms,
        clock_offset_ms=one.clock_offset_ms,
        silent_ms=silent_ms,
        silence=judge_silence(silent_ms),
        is_waiting=one.is_waiting,
        fingerprint=fingerprint,
        recovery=judge_recovery(one.recovery, now_ms=now_ms),
        told=told,
    )
