"""Hears from PostgreSQL when any process of the hub has appended to the log."""

import threading
from collections.abc import Callable

import psycopg

from api.storage.errors import StorageError
from api.storage.postgres_connection import Session, open_session

# What the trigger of the log calls (migration 0013 of the hub).
CHANNEL = "crura_heads"
_LOOK_UP_SECONDS = 1.0
_WAIT_SECONDS = 5.0


class HeadsListener(threading.Thread):
    """Calls back at each notice, and whenever its line to the database was made anew."""

    def __init__(self, url: str, ring: Callable[[], None]) -> None:
        super().__init__(name="heads", daemon=True)
        self._url = url
        self._ring = ring
        self._ended = threading.Event()

    def run(self) -> None:
        """Listen until closed; a line that breaks is made anew."""
        while not self._ended.is_set():
            try:
                with open_session(self._url) as session:
                    session.execute(f"LISTEN {CHANNEL}")
                    self._ring()
                    self._hear(session)
            except (psycopg.Error, StorageError):
                self._ended.wait(_WAIT_SECONDS)

    def _hear(self, session: Session) -> None:
        while not self._ended.is_set():
            # Several notices that lie there already are one.
            if list(session.notifies(timeout=_LOOK_UP_SECONDS, stop_after=1)):
                self._ring()

    def close(self) -> None:
        """Listen no more; it ends within a second or two."""
        self._ended.set()
        if self is not threading.current_thread():
            self.join(_WAIT_SECONDS)
