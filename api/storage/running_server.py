"""Where the running server of a data folder listens, and the key that commands show it."""

import ssl
from pathlib import Path
from typing import Any

import httpx
import msgspec

from api.storage.errors import StorageError

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


def ask_for_invitation(server: RunningServer, role: str, lasts_ms: int) -> str:
    """Return the code of an invitation that the running server makes.

    Raises
    ------
    StorageError
        It does not answer, or refuses.
    """
    try:
        answer = _ask(server, "/api/invitations", {"role": role, "lasts_ms": lasts_ms})
        answer.raise_for_status()
        return str(answer.json()["code"])
    except (httpx.HTTPError, KeyError, ValueError) as error:
        message = (
            f"The server that runs at {server.address} did not make an invitation ({error}). "
            "Stop it and try again."
        )
        raise StorageError(message) from error


def ask_for_revocation(server: RunningServer, device: str) -> int:
    """Let the running server revoke a device; return how many logs of it end there.

    Raises
    ------
    StorageError
        It does not answer, or refuses; the sentence is then the server's own.
    """
    try:
        answer = _ask(server, "/api/revocations", {"device": device})
        if answer.status_code == httpx.codes.FORBIDDEN:
            raise StorageError(str(answer.json()["detail"]))
        answer.raise_for_status()
        return len(answer.json()["ends"])
    except (httpx.HTTPError, KeyError, ValueError) as error:
        message = (
            f"The server that runs at {server.address} did not revoke the device ({error}). "
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


def _ask(server: RunningServer, path: str, content: dict[str, Any] | None) -> httpx.Response:
    return httpx.request(
        "GET" if content is None else "POST",
        f"{server.address}{path}",
        json=content,
        headers={"authorization": f"Bearer {server.key}"},
        verify=_trust_only(server.certificate),
        trust_env=False,
    )


def _trust_only(certificate: str) -> Any:  # noqa: ANN401  what httpx takes for `verify`
    if not certificate:
        return True
    # Its own certificate is the one to expect, under whatever name it was made for.
    context = ssl.create_default_context(cafile=certificate)
    context.check_hostname = False
    context.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN
    return context
