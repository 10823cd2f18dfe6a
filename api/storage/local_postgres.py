"""A PostgreSQL of one's own in a folder, for a demonstration and for tests: started, and stopped.

It answers on a socket in that folder and on no port. A hub in use has a PostgreSQL that its
operators keep.
"""

import os
import pwd
import shutil
import subprocess
from pathlib import Path

from api.storage.errors import StorageError

_DEBIAN = Path("/usr/lib/postgresql")
USER = "postgres"


class LocalPostgres:
    """A server whose records and socket lie in one folder, which it makes.

    Raises
    ------
    StorageError
        PostgreSQL is not installed here.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._binaries = _find_binaries()

    def url(self, database: str = "postgres") -> str:
        """Return the address of a database."""
        return f"postgresql://{USER}@/{database}?host={self.folder}"

    def start(self) -> str:
        """Start the server, wait until it answers, and return the address of its first database.

        Raises
        ------
        StorageError
            It did not start; the text is PostgreSQL's own.
        """
        data = self.folder / "data"
        if not data.exists():
            self._make_folder()
            self.run("initdb", "-D", str(data), "-U", USER, "-A", "trust", "-E", "UTF8",
                     "--locale=C", "--no-instructions", "--no-sync")  # fmt: skip
        options = f"-c listen_addresses= -c unix_socket_directories={self.folder}"
        self.run("pg_ctl", "-D", str(data), "-w", "-s", "-o", options,
                 "-l", str(self.folder / "log"), "start")  # fmt: skip
        return self.url()

    def stop(self, how: str = "fast") -> None:
        """Stop the server; ``immediate`` is a power cut of its own."""
        self.run("pg_ctl", "-D", str(self.folder / "data"), "-w", "-s", "-m", how, "stop")

    def run(self, tool: str, *arguments: str) -> str:
        """Run one of PostgreSQL's own programs and return what it said.

        Raises
        ------
        StorageError
            It failed.
        """
        user = _other_user()
        done = subprocess.run(  # noqa: S603
            [str(self._binaries / tool), *arguments],
            check=False,
            capture_output=True,
            text=True,
            cwd=self.folder,
            user=user.pw_uid if user else None,
            group=user.pw_gid if user else None,
        )
        if done.returncode:
            message = f"PostgreSQL's {tool} failed: {(done.stderr or done.stdout).strip()}"
            raise StorageError(message)
        return done.stdout

    def _make_folder(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        user = _other_user()
        if user:
            os.chown(self.folder, user.pw_uid, user.pw_gid)
        # Processes of other users here may reach the socket.
        self.folder.chmod(0o711)


def _find_binaries() -> Path:
    found = sorted(_DEBIAN.glob("*/bin/initdb"), key=lambda path: int(path.parts[-3]))
    if found:
        return found[-1].parent
    elsewhere = shutil.which("initdb")
    if elsewhere is None:
        raise StorageError(
            "There is no PostgreSQL on this machine. Install it (make postgresql; Debian: apt-get "
            "install postgresql) and start again."
        )
    return Path(elsewhere).resolve().parent


def _other_user() -> pwd.struct_passwd | None:
    """Return as whom the server runs where we are root, which it refuses to be."""
    return pwd.getpwnam(USER) if os.getuid() == 0 else None
