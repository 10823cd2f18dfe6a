"""What is known of one device: as the record has it, and as its label says where it was scanned.

Pure: no clock, no store.
"""

from collections.abc import Iterable, Mapping
from typing import Any

import msgspec

from api.clinical_rules.civil_date import is_civil_date
from api.clinical_rules.device_label import read_device_label
from api.clinical_rules.errors import CalculationRefusedError

# A two-digit year of a label whose implant bears no day is read as seen from here (DL4).
_SEEN_FROM_ON = "2026-01-01"


class Reading(msgspec.Struct, frozen=True, kw_only=True):
    """One answer to what device it was; None for what nobody knows."""

    identifier: str | None = None
    lot: str | None = None
    serial: str | None = None
    expires_on: str | None = None


def read_devices(devices: Iterable[Mapping[str, Any]], *, on: str | None) -> tuple[Reading, ...]:
    """Return every answer to what an implant is, at least one (LT6, LT7).

    Parameters
    ----------
    devices : iterable of mapping
        What stands in the record: one, several where answers differ, none where nobody said.
    on : str or None
        Its day, for the century of a date on a label.
    """
    found = [one for device in devices for one in _read_device(device, on)]
    return tuple(dict.fromkeys(found)) or (Reading(),)


def _read_device(device: Mapping[str, Any], on: str | None) -> list[Reading]:
    written = Reading(
        **{name: _text(device.get(name)) for name in ("identifier", "lot", "serial", "expires_on")}
    )
    raw = _text(device.get("raw_label"))
    if raw is None:
        return [written]
    seen_from_on = on if on is not None and is_civil_date(on) else _SEEN_FROM_ON
    try:
        answer = read_device_label(raw, today_on=seen_from_on)
    except CalculationRefusedError:
        return [written]
    label = Reading(
        identifier=_text(answer.get("gtin") or answer.get("hibc_identifier")),
        lot=_text(answer["lot"]),
        serial=_text(answer["serial"]),
        expires_on=_text(answer["expires_on"]),
    )
    return [_fill(written, label), _fill(label, written)]


def _fill(first: Reading, then: Reading) -> Reading:
    return Reading(
        **{
            name: getattr(first, name) if getattr(first, name) is not None else getattr(then, name)
            for name in Reading.__struct_fields__
        }
    )


def _text(value: object) -> str | None:
    return value if isinstance(value, str) and value else None
