"""Where the running server of a data folder listens, and the key that commands show it."""

import ssl
from pathlib import Path
from typing import Any

import httpx
import msgspec

from api.storage.errors import StorageError

FILE_NAME = "crura.running.json"
# Every case of a large unit as tables, or hundreds of letters, takes minutes on a small machine.
READING_SECONDS = 300.0


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


def ask_running_server(
    server: RunningServer,
    path: str,
    content: dict[str, Any] | None = None,
    *,
    about: str,
    longest_seconds: float = 5.0,
) -> dict[str, Any]:
    """Let the running server do something, or (without content) tell something.

    Parameters
    ----------
    about : str
        What is asked about, for the sentence when no answer comes.

    Raises
    ------
    StorageError
        It does not answer, or refuses; the sentence is then the server's own.
    """
    told = fetch_from_running_server(
        server, path, content, about=about, longest_seconds=longest_seconds
    )
    try:
        return msgspec.json.decode(told, type=dict[str, Any])
    except msgspec.MsgspecError as error:
        raise _unanswered(server, about, error) from error


def read_from_running_server(
    server: RunningServer, path: str, content: dict[str, Any] | None = None, *, about: str
) -> dict[str, Any]:
    """Return what the running server reads from the store, however long a large unit takes.

    Raises
    ------
    StorageError
        As `ask_running_server`.
    """
    return ask_running_server(server, path, content, about=about, longest_seconds=READING_SECONDS)


def fetch_from_running_server(
    server: RunningServer,
    path: str,
    content: dict[str, Any] | None = None,
    *,
    about: str,
    longest_seconds: float = READING_SECONDS,
) -> bytes:
    """Return what the running server answers byte by byte, as for a file.

    Raises
    ------
    StorageError
        As `ask_running_server`.
    """
    try:
        answer = _ask(server, path, content, longest_seconds=longest_seconds)
        if answer.is_error:
            raise StorageError(str(answer.json()["detail"]))
    except (httpx.HTTPError, KeyError, TypeError, ValueError) as error:
        raise _unanswered(server, about, error) from error
    return answer.content


def _unanswered(server: RunningServer, about: str, error: Exception) -> StorageError:
    return StorageError(
        f"The server that runs at {server.address} did not answer about {about} ({error}). "
        "Stop it and try again."
    )


def ask_for_metrics(server: RunningServer) -> str:
    """Return the numbers of the running server as text.

    Raises
    ------
    StorageError
        It does not answer, or refuses.
    """
    try:
        answer = _ask(server, "/metrics", None, longest_seconds=5.0)
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
    longest_seconds: float,
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
