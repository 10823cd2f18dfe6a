"""Peers as processes: a server on a port of the loopback, and clients driven line by line."""

import json
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Callable
from functools import cache
from pathlib import Path
from types import TracebackType
from typing import Any, Protocol

from pwa.run_npm import npm_command
from tests.bench.joined_unit import JoinedUnit
from tests.bench.rounds import cpu_seconds
from tests.browser.unit_server import free_port

BENCH = Path(__file__).resolve().parent
BUILT_TABLET = BENCH.parents[1] / "pwa/node_modules/.bench/crura.mjs"


@cache
def node_command() -> list[str]:
    """Return the command that starts a peer: the Node that builds the app."""
    _, environment = npm_command()
    node = shutil.which("node", path=environment["PATH"])
    assert node is not None
    return [node, "--expose-gc", "--max-old-space-size=6000"]


class Server(Protocol):
    """What a client replicates with."""

    address: str

    @property
    def pid(self) -> int:
        """The process that serves."""

    def stored_bytes(self) -> int:
        """Return what lies on its disk."""

    def start_of(self, client: str) -> dict[str, str]:
        """Return what a client is told to begin with."""


class OurServer(JoinedUnit):
    """`crura serve`; a client joins by an invitation."""

    def start_of(self, client: str) -> dict[str, str]:
        """Return address, name and a fresh code."""
        return {"address": self.address, "name": client, "code": self.invite()}


class NodeServer:
    """A peer's server, a Node program that says `ready` once it listens."""

    def __init__(self, program: str, folder: Path) -> None:
        folder.mkdir(parents=True)
        self._command = [*node_command(), str(BENCH / "peers" / program), str(folder)]
        self._folder = folder
        self._port = free_port()
        self.address = f"http://127.0.0.1:{self._port}"
        self._process: subprocess.Popen[str] | None = None

    def __enter__(self) -> "NodeServer":
        self._process = subprocess.Popen(
            [*self._command, str(self._port)], stdout=subprocess.PIPE, text=True, cwd=self._folder
        )
        assert self._process.stdout is not None
        said = self._process.stdout.readline()
        assert said == "ready\n", said
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait(timeout=20)

    @property
    def pid(self) -> int:
        """The process that serves."""
        assert self._process is not None
        return self._process.pid

    def stored_bytes(self) -> int:
        """Return what lies in its folder."""
        return sum(file.stat().st_size for file in self._folder.rglob("*") if file.is_file())

    def start_of(self, client: str) -> dict[str, str]:
        """Return address and name."""
        return {"address": self.address, "name": client}


class Client:
    """A peer's client, driven line by line; used as a context."""

    def __init__(self, program: Path) -> None:
        self._process = subprocess.Popen(
            [*node_command(), str(program)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def __enter__(self) -> "Client":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._process.kill()
        self._process.wait()

    def do(self, name: str, /, **given: object) -> dict[str, Any]:
        """Run one command and return its answer, with `ms` and `cpuMs`."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps({"do": name, **given}) + "\n")
        self._process.stdin.flush()
        line = self._process.stdout.readline()
        if not line:
            message = f"{name} ended the client"
            raise AssertionError(message)
        answer: dict[str, Any] = json.loads(line)
        return answer


class WireCounter:
    """Passes TCP on to an address and counts the bytes of both directions; used as a context."""

    def __init__(self, address: str) -> None:
        self._target = ("127.0.0.1", int(address.rsplit(":", 1)[1]))
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.address = f"http://127.0.0.1:{self._listener.getsockname()[1]}"
        self._counted = 0
        self._guard = threading.Lock()

    def __enter__(self) -> "WireCounter":
        self._thread(self._accept)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._listener.close()

    def take(self) -> int:
        """Return the bytes since the last call."""
        with self._guard:
            counted, self._counted = self._counted, 0
        return counted

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            far = socket.create_connection(self._target)
            self._thread(lambda near=near, far=far: self._pass_on(near, far))
            self._thread(lambda near=near, far=far: self._pass_on(far, near))

    def _pass_on(self, source: socket.socket, target: socket.socket) -> None:
        try:
            while content := source.recv(65_536):
                with self._guard:
                    self._counted += len(content)
                target.sendall(content)
            target.shutdown(socket.SHUT_WR)
        except OSError:
            source.close()
            target.close()

    @staticmethod
    def _thread(work: Callable[[], None]) -> None:
        threading.Thread(target=work, daemon=True).start()


def wait_until_quiet(pid: int, *, longest_s: float = 5.0) -> None:
    """Wait until a process uses no more processor time: work after its last answer counts too."""
    before, deadline = -1.0, time.monotonic() + longest_s
    while time.monotonic() < deadline:
        now = cpu_seconds(pid)
        if now == before:
            return
        before = now
        time.sleep(0.15)


def node_version() -> str:
    """Return the version of Node that runs the clients."""
    shown = subprocess.run(
        [node_command()[0], "--version"], capture_output=True, text=True, check=True
    )
    return shown.stdout.strip()
