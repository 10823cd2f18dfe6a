"""The log of the server on disk: one file a day, bounded in size, kept for 90 days."""

import datetime
import os
from pathlib import Path
from typing import TextIO

FOLDER_NAME = "log"
# How long is a project default (SEC-20: 90 days).
KEPT_DAYS = 90
MAX_DAY_BYTES = 64 * 1024 * 1024
_NAME = "requests-{day}.jsonl"
_DAY_CHARS = slice(len("requests-"), len("requests-2026-01-01"))


class LogFiles:
    """Appends lines to the file of a day in a folder; only the owner of the folder can read it.

    A full disk or a foreign folder never stops the server: lines are then lost and counted.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._day = ""
        self._file: TextIO | None = None
        self._bytes = 0
        self.lost = 0

    def append(self, line: str, day: str) -> None:
        """Write one line without its end to the file of a day, ``YYYY-MM-DD``."""
        try:
            if day != self._day or self._file is None:
                self._turn_to(day)
            if self._file is None or self._bytes > MAX_DAY_BYTES:
                self.lost += 1
                return
            self._bytes += self._file.write(f"{line}\n")
            self._file.flush()
        except OSError:
            self.lost += 1

    def close(self) -> None:
        """Close the file of today."""
        if self._file is not None:
            self._file.close()
            self._file = None

    def _turn_to(self, day: str) -> None:
        self.close()
        self._day = day
        self._folder.mkdir(mode=0o700, exist_ok=True)
        path = self._folder / _NAME.format(day=day)
        opened = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600)
        self._file = os.fdopen(opened, "a", encoding="ascii")
        self._bytes = path.stat().st_size
        self._drop_before(day)

    def _drop_before(self, day: str) -> None:
        first = datetime.date.fromisoformat(day) - datetime.timedelta(days=KEPT_DAYS - 1)
        for path in self._folder.glob(_NAME.format(day="????-??-??")):
            if path.name[_DAY_CHARS] < first.isoformat():
                path.unlink(missing_ok=True)
