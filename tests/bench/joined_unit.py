"""A served unit with devices that have joined it, for the bench."""

import sqlite3
import sys
from contextlib import closing
from pathlib import Path
from types import TracebackType

import httpx

from tests.browser.unit_server import UnitServer
from tests.unit.api.signing_client import join_over_http
from tests.unit.api.signing_device import SigningDevice

_PAGES = ("page_count", "page_size")

# An installation has no pandas; here it lies beside OR-Tools, and sqlite-utils would load it.
_AS_INSTALLED = [
    sys.executable,
    "-c",
    "import sys; sys.modules['pandas'] = None; from api.command_line import main; sys.exit(main())",
]


class JoinedUnit:
    """`crura serve` on a folder of its own, as a context: stopped at the end."""

    def __init__(self, folder: Path) -> None:
        self._server = UnitServer(folder, _AS_INSTALLED)
        self.folder = folder
        self.address = self._server.address

    def __enter__(self) -> "JoinedUnit":
        self._server.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._server.stop()

    @property
    def pid(self) -> int:
        """The process that serves."""
        process = self._server._process
        assert process is not None
        return process.pid

    def invite(self, role: str = "bedside") -> str:
        """Return a code that lets one device join."""
        return self._server.invite(role).rsplit("=", 1)[1]

    def join(self, device: str, role: str = "bedside") -> httpx.Client:
        """Let a device join and return a client that signs as it."""
        signer = SigningDevice(device)
        return join_over_http(self.address, self.invite(role), signer, epoch="bench1")

    def stored_bytes(self) -> int:
        """Return the size of the store, all its pages, whether checkpointed yet or not."""
        with closing(sqlite3.connect(f"file:{self.folder}/crura.sqlite3?mode=ro", uri=True)) as one:
            pages, page = (one.execute(f"PRAGMA {name}").fetchone()[0] for name in _PAGES)
            return int(pages) * int(page)
