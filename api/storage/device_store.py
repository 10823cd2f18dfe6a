"""Devices that joined the unit, and the invitations that let them in."""

import hashlib
import hmac
import sqlite3

import msgspec

ROLE_STREAMS: dict[str, tuple[str, ...]] = {
    "bedside": ("care", "booking", "unit"),
    "booking": ("booking", "unit"),
}


class Device(msgspec.Struct, frozen=True):
    """A device of the unit. What it may read and write follows from its role."""

    id: str
    name: str
    role: str
    revoked_ms: int | None

    @property
    def streams(self) -> tuple[str, ...]:
        """The streams this device may read and write."""
        return ROLE_STREAMS[self.role]


class Enrolled(msgspec.Struct, frozen=True):
    """What is known of a device's presence; times are wall milliseconds of the server."""

    id: str
    name: str
    role: str
    joined_ms: int
    last_seen_ms: int | None
    clock_offset_ms: int | None


def digest_secret(secret: str) -> str:
    """Return SHA-256 of a random secret; random ones need no slow hash."""
    return hashlib.sha256(secret.encode()).hexdigest()


class DeviceStore:
    """Devices and invitations in SQLite; secrets are kept as digests alone."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    def invite(self, code: str, role: str, *, expires_ms: int) -> None:
        """Keep an invitation."""
        self._connection.execute(
            "INSERT INTO invitation VALUES (?, ?, ?, NULL)", (digest_secret(code), role, expires_ms)
        )

    def take_invitation(self, code: str, *, now_ms: int) -> str | None:
        """Use an invitation up and return its role; None when it is unknown, used or over."""
        wanted = digest_secret(code)
        for known, role in self._connection.execute(
            "SELECT code_sha256, role FROM invitation WHERE used_ms IS NULL AND expires_ms > ?",
            (now_ms,),
        ).fetchall():
            if hmac.compare_digest(known, wanted):
                self._connection.execute(
                    "UPDATE invitation SET used_ms = ? WHERE code_sha256 = ?", (now_ms, known)
                )
                return str(role)
        return None

    def keep(self, device: str, name: str, role: str, token: str, *, joined_ms: int) -> None:
        """Keep a device that joined; one that joined before gets a new role and token."""
        self._connection.execute(
            "INSERT INTO device (id, name, role, token_sha256, joined_ms) VALUES (?, ?, ?, ?, ?)"
            " ON CONFLICT (id) DO UPDATE SET name = excluded.name, role = excluded.role,"
            " token_sha256 = excluded.token_sha256, joined_ms = excluded.joined_ms",
            (device, name, role, digest_secret(token), joined_ms),
        )

    def find(self, device: str) -> Device | None:
        """Return a device by id."""
        return self._device("id = ?", device)

    def token_digest_of(self, device: str) -> str | None:
        """Return the digest of a device's token, None for an unknown device."""
        row = self._connection.execute(
            "SELECT token_sha256 FROM device WHERE id = ?", (device,)
        ).fetchone()
        return row[0] if row else None

    def find_by_token(self, token: str) -> Device | None:
        """Return the device that holds a token, also one that was revoked."""
        return self._device("token_sha256 = ?", digest_secret(token))

    def note_seen(self, device: str, *, seen_ms: int, clock_offset_ms: int) -> None:
        """Keep when a device was last here and how far its clock was off (HAZ-33, DM-01)."""
        self._connection.execute(
            "UPDATE device SET last_seen_ms = ?, clock_offset_ms = ? WHERE id = ?",
            (seen_ms, clock_offset_ms, device),
        )

    def expected(self) -> list[Enrolled]:
        """Return the devices that joined and were not revoked, by id."""
        return [
            Enrolled(*row)
            for row in self._connection.execute(
                "SELECT id, name, role, joined_ms, last_seen_ms, clock_offset_ms FROM device"
                " WHERE revoked_ms IS NULL ORDER BY id"
            )
        ]

    def revoke(self, device: str, *, revoked_ms: int) -> None:
        """Refuse a device from now on."""
        self._connection.execute(
            "UPDATE device SET revoked_ms = ? WHERE id = ?", (revoked_ms, device)
        )

    def _device(self, clause: str, value: str) -> Device | None:
        row = self._connection.execute(
            f"SELECT id, name, role, revoked_ms FROM device WHERE {clause}",  # noqa: S608
            (value,),
        ).fetchone()
        return Device(*row) if row else None
