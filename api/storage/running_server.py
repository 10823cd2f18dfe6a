"""Where the running server of a data folder listens, and the key that commands show it."""

from pathlib import Path

import msgspec

FILE_NAME = "crura.running.json"


class RunningServer(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What a server writes down for commands on the same machine.

    ``certificate`` is the file of its certificate, "" when it serves plain HTTP on the loopback.
    """

    address: str
    key: str
    certificate: str = ""


def note_running_server(folder: Path, server: RunningServer) -> None:
    """Write the note so that only its owner can read it."""
    path = folder / FILE_NAME
    path.unlink(missing_ok=True)
    path.touch(mode=0o600, exist_ok=False)
    path.write_bytes(msgspec.json.encode(server))


def forget_running_server(folder: Path) -> None:
    """Remove the note."""
    (folder / FILE_NAME).unlink(missing_ok=True)


def find_running_server(folder: Path) -> RunningServer | None:
    """Return the note of the server that runs on a folder, None without one."""
    try:
        return msgspec.json.decode((folder / FILE_NAME).read_bytes(), type=RunningServer)
    except (OSError, msgspec.MsgspecError):
        return None
