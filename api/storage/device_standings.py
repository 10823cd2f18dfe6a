"""What each device last told of itself: one row a device, replaced. Transactions are the caller's.

Counts, sizes, hashes and a day alone; no name, no record and no sentence has a place in it.
"""

from typing import Annotated, Any

import msgspec

from api.storage.any_connection import Connection

MOST_COUNTED = 2**53 - 1
Count = Annotated[int, msgspec.Meta(ge=0, le=MOST_COUNTED)]
Build = Annotated[str, msgspec.Meta(pattern="^[0-9a-f]{12}$")]
Digest = Annotated[str, msgspec.Meta(pattern="^[0-9a-f]{16}$")]
Version = Annotated[int, msgspec.Meta(ge=1, le=MOST_COUNTED)]
Day = Annotated[str, msgspec.Meta(pattern="^[0-9]{4}-[0-9]{2}-[0-9]{2}$")]


class DeviceStanding(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a device tells of itself; None is what it does not know, never 0.

    Parameters
    ----------
    build : str or None
        Hash of the sources of the app that it runs.
    catalogue : int or None
        Version of its record catalogue.
    protocol : int or None
        Version of the exchange that it speaks (EX24).
    rules, rules_on : str or None
        Digest of the rule files in force there (`digest_in_force`), and the civil date for which
        they were chosen.
    unsent, unsent_pictures : int or None
        Operations and pictures that the unit does not hold yet.
    is_kept : bool or None
        Whether its browser promises to keep its storage.
    used_bytes, quota_bytes : int or None
        What its storage holds, and at most holds, as its browser estimates it.
    """

    build: Build | None = None
    catalogue: Count | None = None
    protocol: Version | None = None
    rules: Digest | None = None
    rules_on: Day | None = None
    unsent: Count | None = None
    unsent_pictures: Count | None = None
    is_kept: bool | None = None
    used_bytes: Count | None = None
    quota_bytes: Count | None = None


class ToldStanding(msgspec.Struct, frozen=True):
    """A standing and when it was told, wall milliseconds of the server."""

    told_ms: int
    standing: DeviceStanding


_FIELDS = DeviceStanding.__struct_fields__
_COLUMNS = ", ".join(("device", "told_ms", *_FIELDS))
_MARKS = ", ".join("?" for _ in ("device", "told_ms", *_FIELDS))
_SET_ANEW = ", ".join(f"{name} = excluded.{name}" for name in ("told_ms", *_FIELDS))


class DeviceStandings:
    """Standings of devices, each the last that was told."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def keep(self, device: str, standing: DeviceStanding, *, told_ms: int) -> None:
        """Keep what a device tells in the place of what it told before."""
        content = (getattr(standing, name) for name in _FIELDS)
        self._connection.execute(
            f"INSERT INTO device_standing ({_COLUMNS}) VALUES ({_MARKS})"  # noqa: S608
            f" ON CONFLICT (device) DO UPDATE SET {_SET_ANEW}",
            (device, told_ms, *content),
        )

    def by_device(self) -> dict[str, ToldStanding]:
        """Return what was told since each device joined; one that told nothing is left out.

        What a device told before it joined anew is of another time of it.
        """
        rows = self._connection.execute(
            f"SELECT {', '.join(f'told.{name}' for name in ('device', 'told_ms', *_FIELDS))}"  # noqa: S608
            " FROM device_standing AS told JOIN device ON device.id = told.device"
            " WHERE told.told_ms >= device.joined_ms"
        ).fetchall()
        return {row[0]: ToldStanding(row[1], _standing(row[2:])) for row in rows}


def _standing(row: tuple[Any, ...]) -> DeviceStanding:
    content = dict(zip(_FIELDS, row, strict=True))
    is_kept = content["is_kept"]
    content["is_kept"] = None if is_kept is None else bool(is_kept)
    return DeviceStanding(**content)
