"""Devices that joined the unit, and the invitations that let them in."""

import hashlib
import hmac

import msgspec

from api.storage.any_connection import Connection

UNIT_ROLE = "unit"
ROLE_STREAMS: dict[str, tuple[str, ...]] = {
    "bedside": ("care", "booking", "unit"),
    "booking": ("booking", "unit"),
    # A unit at the hub of its network.
    UNIT_ROLE: ("registry",),
}


class Device(msgspec.Struct, frozen=True):
    """A device of the unit. What it may read and write follows from its role.

    One that waits is known and may do nothing yet (RQ7); one that is lost clears itself (RQ8).
    """

    id: str
    name: str
    role: str
    revoked_ms: int | None
    lost_ms: int | None = None
    is_waiting: bool = False

    @property
    def streams(self) -> tuple[str, ...]:
        """The streams this device may read and write."""
        return ROLE_STREAMS[self.role]


class RecoveryKept(msgspec.Struct, frozen=True):
    """How the asking of a device for its data key stands (SE4); both None where it asks for none.

    ``let_in_ms`` is when it was let in for this and has not fetched the key yet.
    """

    is_asked: bool
    let_in_ms: int | None
    refused_ms: int | None


class Enrolled(msgspec.Struct, frozen=True):
    """What is known of a device's presence; times are wall milliseconds of the server."""

    id: str
    name: str
    role: str
    joined_ms: int
    last_seen_ms: int | None
    clock_offset_ms: int | None
    is_waiting: bool
    recovery: RecoveryKept


class TakenInvitation(msgspec.Struct, frozen=True):
    """What a used invitation gives; a trusted one was made by this machine for itself."""

    role: str
    is_trusted: bool
    name: str


def digest_secret(secret: str) -> str:
    """Return SHA-256 of a random secret; random ones need no slow hash."""
    return hashlib.sha256(secret.encode()).hexdigest()


_OF_DEVICE = "id, name, role, revoked_ms, lost_ms, confirmed_ms IS NULL"
_OF_RECOVERY = "may_recover, confirmed_ms, recovery_refused_ms"
_OF_ENROLLED = (
    "id, name, role, joined_ms, last_seen_ms, clock_offset_ms, confirmed_ms IS NULL,"
    f" {_OF_RECOVERY}"
)


def _recovery(may_recover: int, confirmed_ms: int | None, refused_ms: int | None) -> RecoveryKept:
    """Read the three columns of a device."""
    is_let_in = bool(may_recover) and confirmed_ms is not None
    return RecoveryKept(bool(may_recover), confirmed_ms if is_let_in else None, refused_ms)


class DeviceStore:
    """Devices and invitations in SQLite; secrets are kept as digests alone."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def invite(
        self, code: str, role: str, *, expires_ms: int, is_trusted: bool = False, name: str = ""
    ) -> None:
        """Keep an invitation; who joins by it has its name, where it bears one."""
        self._connection.execute(
            "INSERT INTO invitation (code_sha256, role, expires_ms, is_trusted, name)"
            " VALUES (?, ?, ?, ?, ?)",
            (digest_secret(code), role, expires_ms, is_trusted, name),
        )

    def take_invitation(self, code: str, *, now_ms: int) -> TakenInvitation | None:
        """Use an invitation up and return it; None when it is unknown, used or over."""
        wanted = digest_secret(code)
        for known, role, is_trusted, name in self._connection.execute(
            "SELECT code_sha256, role, is_trusted, name FROM invitation"
            " WHERE used_ms IS NULL AND expires_ms > ?",
            (now_ms,),
        ).fetchall():
            if hmac.compare_digest(known, wanted):
                self._connection.execute(
                    "UPDATE invitation SET used_ms = ? WHERE code_sha256 = ?", (now_ms, known)
                )
                return TakenInvitation(str(role), bool(is_trusted), str(name))
        return None

    def keep(
        self,
        device: str,
        name: str,
        role: str,
        token: str,
        *,
        joined_ms: int,
        is_waiting: bool = False,
        may_recover: bool = False,
    ) -> None:
        """Keep a device that joined; one that joined before gets a new role and token.

        One that ``may_recover`` joined to have its data key back, once (SE4).
        """
        confirmed_ms = None if is_waiting else joined_ms
        self._connection.execute(
            "INSERT INTO device (id, name, role, token_sha256, joined_ms, confirmed_ms,"
            " confirmed_by, may_recover) VALUES (?, ?, ?, ?, ?, ?, '', ?)"
            " ON CONFLICT (id) DO UPDATE SET name = excluded.name, role = excluded.role,"
            " token_sha256 = excluded.token_sha256, joined_ms = excluded.joined_ms,"
            " confirmed_ms = excluded.confirmed_ms, may_recover = excluded.may_recover,"
            " recovery_refused_ms = NULL",
            (device, name, role, digest_secret(token), joined_ms, confirmed_ms, may_recover),
        )

    def confirm(self, device: str, *, by: str, confirmed_ms: int) -> None:
        """Let a device in whose key a person has compared; by "" is at the server itself."""
        self._connection.execute(
            "UPDATE device SET confirmed_ms = ?, confirmed_by = ? WHERE id = ?",
            (confirmed_ms, by, device),
        )

    def take_recovery(self, device: str, *, after_ms: int) -> bool:
        """Use up that a device may have its key back; False unless it was let in after a time."""
        taken = self._connection.execute(
            "UPDATE device SET may_recover = 0"
            " WHERE id = ? AND may_recover = 1 AND confirmed_ms > ?",
            (device, after_ms),
        )
        return taken.rowcount == 1

    def refuse_recovery(self, device: str, *, refused_ms: int) -> bool:
        """Keep that a device which waits for its key is not given it; False where none waits."""
        refused = self._connection.execute(
            "UPDATE device SET may_recover = 0, recovery_refused_ms = ?"
            " WHERE id = ? AND may_recover = 1 AND confirmed_ms IS NULL AND revoked_ms IS NULL",
            (refused_ms, device),
        )
        return refused.rowcount == 1

    def recovery_of(self, device: str) -> RecoveryKept:
        """Return how the asking of a device for its data key stands."""
        row = self._connection.execute(
            f"SELECT {_OF_RECOVERY} FROM device WHERE id = ?",  # noqa: S608
            (device,),
        ).fetchone()
        return _recovery(*row) if row else RecoveryKept(False, None, None)

    def rename(self, device: str, name: str) -> None:
        """Give a device another name."""
        self._connection.execute("UPDATE device SET name = ? WHERE id = ?", (name, device))

    def names(self, *, now_ms: int, with_revoked: bool = False, but: str = "") -> list[str]:
        """Return the names of devices, and those that open invitations have given away.

        Parameters
        ----------
        but : str
            Device whose own name is left out.
        """
        devices = self._connection.execute(
            "SELECT name, revoked_ms FROM device WHERE id <> ?", (but,)
        ).fetchall()
        invited = self._connection.execute(
            "SELECT name FROM invitation WHERE name <> '' AND used_ms IS NULL AND expires_ms > ?",
            (now_ms,),
        ).fetchall()
        return [
            *(str(name) for name, revoked_ms in devices if with_revoked or revoked_ms is None),
            *(str(name) for (name,) in invited),
        ]

    def find(self, device: str) -> Device | None:
        """Return a device by id."""
        return self._device("id = ?", device)

    def ids(self) -> list[str]:
        """Return the id of every device, those that were revoked among them."""
        rows = self._connection.execute("SELECT id FROM device ORDER BY id").fetchall()
        return [str(row[0]) for row in rows]

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
            Enrolled(*(*row[:6], bool(row[6]), _recovery(*row[7:])))
            for row in self._connection.execute(
                f"SELECT {_OF_ENROLLED} FROM device"  # noqa: S608
                " WHERE revoked_ms IS NULL ORDER BY id"
            )
        ]

    def revoke(self, device: str, *, revoked_ms: int) -> None:
        """Refuse a device from now on."""
        self._connection.execute(
            "UPDATE device SET revoked_ms = ? WHERE id = ?", (revoked_ms, device)
        )

    def readmit(self, device: str) -> None:
        """Let a device that was revoked ask again; where its logs ended before stays known."""
        self._connection.execute(
            "UPDATE device SET revoked_ms = NULL, lost_ms = NULL WHERE id = ?", (device,)
        )

    def note_lost(self, device: str, *, lost_ms: int) -> None:
        """Keep that a device is lost: once it has handed over what it holds, it clears itself."""
        self._connection.execute("UPDATE device SET lost_ms = ? WHERE id = ?", (lost_ms, device))

    def _device(self, clause: str, value: str) -> Device | None:
        row = self._connection.execute(
            f"SELECT {_OF_DEVICE} FROM device WHERE {clause}",  # noqa: S608
            (value,),
        ).fetchone()
        return Device(*(*row[:-1], bool(row[-1]))) if row else None
