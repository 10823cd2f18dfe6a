"""Work that waits for whichever process comes first: asked for once, done once, lost never.

Work is leased for a while. Who takes some passes over what others have leased, and never waits for
them; what a process that died had taken comes back when its lease ends.
"""

from collections.abc import Iterable

import msgspec

from api.storage.any_connection import Connection

# Longer than any piece of work takes.
LEASE_MS = 600_000


class Work(msgspec.Struct, frozen=True):
    """One piece of work; ``version`` counts how often it was asked for."""

    id: int
    key: str
    version: int


class WorkQueue:
    """Work by kind and key. Transactions are the caller's; the work itself is done outside."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def add(self, kind: str, keys: Iterable[str], *, now_ms: int) -> None:
        """Let work wait, once for each key; what somebody works on just now waits once more."""
        self._connection.executemany(
            "INSERT INTO work (kind, work_key, version, asked_ms, leased_until_ms)"
            " VALUES (?, ?, 1, ?, 0)"
            " ON CONFLICT (kind, work_key) DO UPDATE SET version = work.version + 1",
            [(kind, key, now_ms) for key in sorted(set(keys))],
        )

    def take(self, kind: str, *, limit: int, now_ms: int, lease_ms: int = LEASE_MS) -> list[Work]:
        """Lease what waits of a kind, the longest waiting first; nobody else is given it."""
        rows = self._connection.execute(
            "UPDATE work SET leased_until_ms = ? WHERE id IN (SELECT id FROM work"  # noqa: S608
            " WHERE kind = ? AND leased_until_ms <= ? ORDER BY id LIMIT ?"
            f" {self._connection.skip_locked}) RETURNING id, work_key, version",
            (now_ms + lease_ms, kind, now_ms, limit),
        ).fetchall()
        return sorted((Work(*row) for row in rows), key=lambda one: one.id)

    def done(self, works: Iterable[Work]) -> None:
        """Forget work that was done, but what was asked for again meanwhile: that waits anew."""
        some = list(works)
        self._connection.executemany(
            "DELETE FROM work WHERE id = ? AND version = ?", [(one.id, one.version) for one in some]
        )
        self.give_back(some)

    def give_back(self, works: Iterable[Work]) -> None:
        """Let work that was taken and not done wait for anybody."""
        self._connection.executemany(
            "UPDATE work SET leased_until_ms = 0 WHERE id = ?", [(one.id,) for one in works]
        )

    def count(self, kind: str) -> int:
        """Return how much of a kind is not done yet, leased or not."""
        row = self._connection.execute("SELECT count(*) FROM work WHERE kind = ?", (kind,))
        return int(row.fetchone()[0])
