"""A PostgreSQL of the tests' own, in a temporary folder: started, and stopped at their end."""

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path

import psycopg

DEBIAN = Path("/usr/lib/postgresql")
_USER = "postgres"
_DATABASES = count(1)


class PostgresServer:
    """A running server that answers on a socket in its folder, and on no port."""

    def __init__(self, folder: Path, binaries: Path) -> None:
        self.folder = folder
        self._binaries = binaries

    def url(self, database: str = "postgres") -> str:
        """Return the address of a database."""
        return f"postgresql://{_USER}@/{database}?host={self.folder}"

    def make_database(self) -> str:
        """Make an empty database and return its address."""
        name = f"crura_{os.getpid()}_{next(_DATABASES)}"
        with psycopg.connect(self.url(), autocommit=True) as session:
            session.execute(f"CREATE DATABASE {name}")
        return self.url(name)

    def copy_database(self, url: str) -> str:
        """Copy a database that nobody uses, as a backup of it; return the copy's address."""
        name = f"crura_{os.getpid()}_{next(_DATABASES)}"
        source = psycopg.conninfo.conninfo_to_dict(url)["dbname"]
        with psycopg.connect(self.url(), autocommit=True) as session:
            session.execute(f"CREATE DATABASE {name} TEMPLATE {source}")
        return self.url(name)

    def run(self, tool: str, *arguments: str) -> str:
        """Run one of PostgreSQL's own tools and return what it said."""
        done = subprocess.run(
            [str(self._binaries / tool), *arguments],
            check=False,
            capture_output=True,
            text=True,
            cwd=self.folder,
            **_as_other_user(),
        )
        assert done.returncode == 0, f"{tool}: {done.stdout}{done.stderr}"
        return done.stdout

    def start(self) -> None:
        """Start the server and wait until it answers."""
        data = self.folder / "data"
        if not data.exists():
            self.run("initdb", "-D", str(data), "-U", _USER, "-A", "trust", "-E", "UTF8",
                     "--locale=C", "--no-instructions", "--no-sync")  # fmt: skip
        options = f"-c listen_addresses= -c unix_socket_directories={self.folder}"
        self.run("pg_ctl", "-D", str(data), "-w", "-s", "-o", options,
                 "-l", str(self.folder / "log"), "start")  # fmt: skip

    def stop(self, how: str = "fast") -> None:
        """Stop the server; ``immediate`` is a power cut of its own."""
        self.run("pg_ctl", "-D", str(self.folder / "data"), "-w", "-s", "-m", how, "stop")


def find_binaries() -> Path:
    """Return the folder of PostgreSQL's programs.

    Raises
    ------
    RuntimeError
        They are not installed.
    """
    found = sorted(DEBIAN.glob("*/bin/initdb"), key=lambda path: int(path.parts[-3]))
    if found:
        return found[-1].parent
    elsewhere = shutil.which("initdb")
    if elsewhere is not None:
        return Path(elsewhere).resolve().parent
    raise RuntimeError("The tests of the hub need PostgreSQL. Run `make postgresql`.")


@contextmanager
def running_server() -> Iterator[PostgresServer]:
    """Yield a fresh server; it and its folder are gone afterwards."""
    binaries = find_binaries()
    folder = Path(tempfile.mkdtemp(prefix="crura-pg-"))
    try:
        user = _as_other_user()
        if user:
            os.chown(folder, user["user"], user["group"])
        # Any process of the tests may reach the socket; nobody else's user runs here.
        folder.chmod(0o711)
        server = PostgresServer(folder, binaries)
        server.start()
        try:
            yield server
        finally:
            server.stop("immediate")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _as_other_user() -> dict[str, int]:
    """Return as whom the server runs: it refuses to be root."""
    if os.getuid() != 0:
        return {}
    entry = pwd.getpwnam(_USER)
    return {"user": entry.pw_uid, "group": entry.pw_gid}
