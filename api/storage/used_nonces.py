"""Nonces that were used with any process of a hub: each is good once, wherever it is shown."""

from api.storage.any_connection import Connection


class UsedNonces:
    """Used nonces in the database. Each statement is kept by itself: nobody waits for a writer."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def use(self, nonce: str, device: str | None, *, now_ms: int) -> bool:
        """Use a nonce up; False where it was used before, also in this very moment elsewhere."""
        added = self._connection.execute(
            "INSERT INTO used_nonce (nonce, used_ms, device) VALUES (?, ?, ?)"
            " ON CONFLICT DO NOTHING",
            (nonce, now_ms, device),
        )
        return added.rowcount == 1

    def count(self, device: str | None, *, used_from_ms: int) -> int:
        """Return how many nonces a device has used since a moment; None counts those of joinings.

        What is remembered longer, so that it is good once, counts against nobody any more.
        """
        row = self._connection.execute(
            "SELECT count(*) FROM used_nonce WHERE device IS ? AND used_ms > ?",
            (device, used_from_ms),
        ).fetchone()
        return int(row[0])

    def forget(self, *, used_before_ms: int) -> None:
        """Forget what was used before a moment: it is over by then."""
        self._connection.execute("DELETE FROM used_nonce WHERE used_ms < ?", (used_before_ms,))
