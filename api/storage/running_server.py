"""Where the running server of a data folder listens, and the key that commands show it."""

import ssl
from pathlib import Path
from typing import Any

import httpx
import msgspec

from api.storage.errors import StorageError

FILE_NAME = "crura.running.json"
_LONGEST_BACKUP_SECONDS = 600.0


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


def ask_about_devices(
    server: RunningServer, path: str, content: dict[str, Any] | None = None
) -> dict[str, Any]:
    """Let the running server invite, confirm, revoke or (without content) list devices.

    Raises
    ------
    StorageError
        It does not answer, or refuses; the sentence is then the server's own.
    """
    try:
        answer = _ask(server, path, content)
        if answer.status_code == httpx.codes.FORBIDDEN:
            raise StorageError(str(answer.json()["detail"]))
        answer.raise_for_status()
        return dict(answer.json())
    except (httpx.HTTPError, KeyError, ValueError) as error:
        message = (
            f"The server that runs at {server.address} did not answer about devices ({error}). "
            "Stop it and try again."
        )
        raise StorageError(message) from error


def ask_for_backup(
    server: RunningServer, target: Path, recipients: tuple[str, ...]
) -> tuple[str, ...]:
    """Let the running server write a backup; return the pictures it left out.

    Raises
    ------
    StorageError
        It does not answer, or refuses; the sentence is then the server's own.
    """
    content = {"target": str(target), "recipients": recipients}
    try:
        answer = _ask(server, "/api/backups", content, longest_seconds=_LONGEST_BACKUP_SECONDS)
        if answer.is_error:
            raise StorageError(str(answer.json()["detail"]))
        return tuple(answer.json()["left_out"])
    except (httpx.HTTPError, KeyError, ValueError) as error:
        message = (
            f"The server that runs at {server.address} did not write a backup ({error}). "
            "Stop it and try again."
        )
        raise StorageError(message) from error


def ask_about_calendars(
    server: RunningServer, path: str, content: dict[str, Any] | None = None
) -> dict[str, Any]:
    """Let the running server make, revoke or (without content) list calendars.

    Raises
    ------
    StorageError
        It does not answer, or refuses; the sentence is then the server's own.
    """
    try:
        answer = _ask(server, path, content)
        if answer.status_code == httpx.codes.FORBIDDEN:
            raise StorageError(str(answer.json()["detail"]))
        answer.raise_for_status()
        return dict(answer.json())
    except (httpx.HTTPError, KeyError, ValueError) as error:
        message = (
            f"The server that runs at {server.address} did not answer about calendars ({error}). "
            "Stop it and try again."
        )
        raise StorageError(message) from error


def ask_about_people(
    server: RunningServer, path: str, content: dict[str, Any] | None = None
) -> dict[str, Any]:
    """Let the running server list people or change something about one.

    Raises
    ------
    StorageError
        It does not answer, or refuses; the sentence is then the server's own.
    """
    try:
        answer = _ask(server, path, content)
        if answer.is_error:
            raise StorageError(str(answer.json()["detail"]))
        return dict(answer.json())
    except (httpx.HTTPError, KeyError, ValueError) as error:
        message = (
            f"The server that runs at {server.address} did not answer about people ({error}). "
            "Stop it and try again."
        )
        raise StorageError(message) from error


def ask_about_access(server: RunningServer, path: str) -> dict[str, Any]:
    """Let the running server search the trail of access, or sign where it ends.

    Raises
    ------
    StorageError
        It does not answer, or refuses; the sentence is then the server's own.
    """
    try:
        answer = _ask(server, path, None)
        if answer.is_client_error:
            raise StorageError(str(answer.json()["detail"]))
        answer.raise_for_status()
        return dict(answer.json())
    except (httpx.HTTPError, KeyError, ValueError) as error:
        message = (
            f"The server that runs at {server.address} did not answer about access ({error}). "
            "Stop it and try again."
        )
        raise StorageError(message) from error


def ask_for_metrics(server: RunningServer) -> str:
    """Return the numbers of the running server as text.

    Raises
    ------
    StorageError
        It does not answer, or refuses.
    """
    try:
        answer = _ask(server, "/metrics", None)
        answer.raise_for_status()
    except httpx.HTTPError as error:
        message = (
            f"The server that runs at {server.address} told no numbers ({error}). Start it again."
        )
        raise StorageError(message) from error
    return answer.text


def _ask(
    server: RunningServer,
    path: str,
    content: dict[str, Any] | None,
    *,
    longest_seconds: float = 5.0,
) -> httpx.Response:
    return httpx.request(
        "GET" if content is None else "POST",
        f"{server.address}{path}",
        json=content,
        headers={"authorization": f"Bearer {server.key}"},
        verify=_trust_only(server.certificate),
        trust_env=False,
        timeout=longest_seconds,
    )


def _trust_only(certificate: str) -> Any:  # noqa: ANN401  what httpx takes for `verify`
    if not certificate:
        return True
    # Its own certificate is the one to expect, under whatever name it was made for.
    context = ssl.create_default_context(cafile=certificate)
    context.check_hostname = False
    context.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN
    return context
