"""Tokens that open a calendar feed of one place or one person; kept as digests alone."""

import msgspec

from api.storage.any_connection import Connection
from api.storage.device_store import digest_secret


class CalendarToken(msgspec.Struct, frozen=True):
    """One token, without its secret.

    Parameters
    ----------
    scope : str
        `place` or `person`.
    name : str
        Name of the place, or `staff/<id>`.
    """

    id: str
    scope: str
    name: str
    made_ms: int
    revoked_ms: int | None


class CalendarTokenStore:
    """Calendar tokens in SQLite. Transactions are the caller's."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def keep(self, token: str, kept: CalendarToken) -> None:
        """Keep a new token."""
        self._connection.execute(
            "INSERT INTO calendar_token VALUES (?, ?, ?, ?, ?, NULL)",
            (kept.id, digest_secret(token), kept.scope, kept.name, kept.made_ms),
        )

    def find(self, token: str) -> CalendarToken | None:
        """Return what a token opens; None when it is unknown or revoked."""
        row = self._connection.execute(
            "SELECT id, scope, name, made_ms, revoked_ms FROM calendar_token"
            " WHERE token_sha256 = ? AND revoked_ms IS NULL",
            (digest_secret(token),),
        ).fetchone()
        return CalendarToken(*row) if row else None

    def listed(self) -> list[CalendarToken]:
        """Return every token, also those revoked, in the order in which they were made."""
        rows = self._connection.execute(
            "SELECT id, scope, name, made_ms, revoked_ms FROM calendar_token ORDER BY made_ms, id"
        )
        return [CalendarToken(*row) for row in rows]

    def revoke(self, token_id: str, *, revoked_ms: int) -> bool:
        """Close a feed for good; say whether there was an open one of this id."""
        changed = self._connection.execute(
            "UPDATE calendar_token SET revoked_ms = ? WHERE id = ? AND revoked_ms IS NULL",
            (revoked_ms, token_id),
        )
        return changed.rowcount > 0
