"""The built unit server as its users start it, for the browser tests."""

import re
import socket
import subprocess
import sys
import time
from pathlib import Path

import httpx

ROOT = Path(__file__).resolve().parents[2]
CRURA = [str(Path(sys.executable).with_name("crura"))]


def free_port() -> int:
    """Return a port of the loopback that nobody listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class UnitServer:
    """`crura serve` on a folder of its own; stopped and started as the tests need.

    ``command`` starts the program, in the folder ``program``; another build has its own.
    ``serve_options`` are more words for `crura serve`.
    """

    serve_options: tuple[str, ...] = ()

    def __init__(
        self, folder: Path, command: list[str] | None = None, program: Path = ROOT
    ) -> None:
        self.folder = folder
        self._command = command or CRURA
        self._program = program
        self.port = free_port()
        self.address = f"http://127.0.0.1:{self.port}"
        self._process: subprocess.Popen[str] | None = None

    def crura(self, *arguments: str) -> str:
        """Run one `crura` command on the folder and return what it printed."""
        done = subprocess.run(
            [*self._command, *arguments, "--data", str(self.folder)],
            capture_output=True,
            text=True,
            check=False,
            cwd=self._program,
        )
        assert done.returncode == 0, done.stderr
        return done.stdout

    def start(self) -> None:
        """Start serving and wait until it answers."""
        self._process = subprocess.Popen(
            [
                *(*self._command, "serve", "--data", str(self.folder), "--port", str(self.port)),
                *self.serve_options,
            ],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
            cwd=self._program,
        )
        for _ in range(600):
            if self._process.poll() is not None:
                raise AssertionError(self._process.stderr.read() if self._process.stderr else "")
            try:
                if httpx.get(f"{self.address}/api/health").status_code == 200:
                    return
            except httpx.TransportError:
                pass
            time.sleep(0.1)
        raise AssertionError("The server did not answer within 60 s.")

    def stop(self) -> None:
        """Stop serving; what is stored stays."""
        if self._process is not None:
            self._process.terminate()
            self._process.wait(timeout=60)
            self._process = None

    def invite(self, role: str, *, is_trusted: bool = True) -> str:
        """Return the address that lets one device join in a role; trusted, it waits for nobody."""
        trust = ["--trusted"] if is_trusted else []
        printed = self.crura("device", "invite", "--role", role, *trust)
        code = re.search(r"#join=([A-Za-z0-9-]+)", printed)
        assert code is not None, printed
        return f"{self.address}/#join={code[1]}"
