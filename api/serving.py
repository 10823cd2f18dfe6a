"""Serves one data folder over HTTP until it is told to stop."""

import errno
import signal
import socket
import ssl
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

import uvicorn
from litestar.types import ASGIApp

from api.app import create_app
from api.environment import Environment
from api.http_lines import MAX_HEAD_BYTES, HttpLine
from api.routes.backups import BackupWatch
from api.routes.outer_shell import LOOPBACK_HOSTS
from api.routes.surroundings import HeadsBell
from api.storage.errors import StorageError
from api.storage.log_files import FOLDER_NAME
from api.storage.running_server import RunningServer, forget_running_server, note_running_server
from api.storage.static_files import read_built_app
from api.storage.unit_store import UnitStore
from api.use_cases.erase_records import finish_erasures
from api.use_cases.forget_pictures import forget_struck_pictures

GRACE_SECONDS = 3
_LOOPBACK = frozenset({"127.0.0.1", "localhost", "::1"})


class ServingError(StorageError):
    """The server cannot start as asked; the text says what to change."""


@dataclass(frozen=True)
class Listening:
    """Where to listen, and with which certificate (both files or neither).

    Parameters
    ----------
    host_names : tuple of str
        Names, without a port, by which browsers open the server besides the loopback's.
    is_behind_proxy : bool
        A proxy on this machine ends the HTTPS and passes requests on in clear.
    """

    host: str
    port: int
    certificate: Path | None = None
    private_key: Path | None = None
    host_names: tuple[str, ...] = ()
    is_behind_proxy: bool = False

    @property
    def is_loopback(self) -> bool:
        """Say whether only this machine can reach it."""
        return self.host in _LOOPBACK

    @property
    def is_https(self) -> bool:
        """Say whether browsers reach it by HTTPS alone."""
        return self.certificate is not None or self.is_behind_proxy

    @property
    def hosts(self) -> frozenset[str] | None:
        """Return the names that a request may name, None for every name.

        Without names of its own a server with a certificate takes any: the certificate is the
        proof there, and no foreign name fits it.
        """
        if self.host_names:
            own = f"[{self.host}]" if ":" in self.host else self.host
            return LOOPBACK_HOSTS | {own.lower(), *(name.lower() for name in self.host_names)}
        return LOOPBACK_HOSTS if self.is_loopback else None

    @property
    def address(self) -> str:
        """The address to open."""
        scheme = "https" if self.certificate else "http"
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{scheme}://{host}:{self.port}"


@dataclass(frozen=True)
class BackupPlan:
    """Where encrypted backups go while serving, for whom, how often, and how many stay."""

    place: Path
    recipients: tuple[str, ...]
    every_seconds: float
    keep: int


def open_socket(listening: Listening) -> socket.socket:
    """Return a bound socket.

    Raises
    ------
    ServingError
        The host is open to others without a certificate, the certificate does not load, or the
        port is taken. Nothing was started.
    """
    if (listening.certificate is None) != (listening.private_key is None):
        raise ServingError("Give --certificate and --private-key together.")
    if listening.is_behind_proxy:
        _refuse_bare_proxy(listening)
    if not listening.is_loopback and listening.certificate is None:
        message = (
            f"Serving on {listening.host} without a certificate would send patient records in "
            "clear. Give --certificate and --private-key, or stay on 127.0.0.1 and put a proxy "
            "with HTTPS before it (--behind-proxy)."
        )
        raise ServingError(message)
    if listening.certificate is not None:
        _refuse_bad_certificate(listening)
    family = socket.AF_INET6 if ":" in listening.host else socket.AF_INET
    bound = socket.socket(family, socket.SOCK_STREAM)
    bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        bound.bind((listening.host, listening.port))
        bound.listen(128)
    except OSError as error:
        bound.close()
        if error.errno == errno.EADDRINUSE:
            message = (
                f"Port {listening.port} is taken by another program. Choose another with --port, "
                f"for example --port {listening.port + 1} (or make run PORT={listening.port + 1})."
            )
        else:
            message = (
                f"Cannot listen on {listening.host}:{listening.port} ({error.strerror}). "
                "Choose another --host or --port."
            )
        raise ServingError(message) from error
    return bound


def _refuse_bare_proxy(listening: Listening) -> None:
    if not listening.is_loopback or listening.certificate is not None:
        raise ServingError(
            "Behind a proxy the server stays on 127.0.0.1 and the proxy holds the certificate. "
            "Leave out --host, --certificate and --private-key."
        )
    if not listening.host_names:
        raise ServingError(
            "Behind a proxy the server must know by which name tablets open it. Give --host-name, "
            "and let the proxy pass the Host header on."
        )


def _refuse_bad_certificate(listening: Listening) -> None:
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(
            str(listening.certificate), str(listening.private_key)
        )
    except (OSError, ssl.SSLError) as error:
        message = f"The certificate cannot be used ({error}). Check both files."
        raise ServingError(message) from error


# Of TLS 1.2 what keeps past talks secret and vouches for each record (RFC 9325, section 4.2).
_CIPHERS = "ECDHE+AESGCM:ECDHE+CHACHA20"


def _refuse_old_tls(_: uvicorn.Config, make: Callable[[], ssl.SSLContext]) -> ssl.SSLContext:
    context = make()
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.set_ciphers(_CIPHERS)
    return context


def configure(app: ASGIApp, listening: Listening) -> uvicorn.Config:
    """Return how requests are taken in: one process, bounded heads, no word of a proxy believed."""
    return uvicorn.Config(
        app,
        http=HttpLine,
        ws="none",
        h11_max_incomplete_event_size=MAX_HEAD_BYTES,
        log_level="warning",
        access_log=False,
        server_header=False,
        # Whoever asks is who proves it. From where, a proxy on this machine alone may say
        # (`asking_source.py`); uvicorn would believe what anybody wrote.
        proxy_headers=False,
        timeout_graceful_shutdown=GRACE_SECONDS,
        ssl_certfile=listening.certificate,
        ssl_keyfile=listening.private_key,
        ssl_context_factory=_refuse_old_tls if listening.certificate is not None else None,
    )


class _Server(uvicorn.Server):
    """Ends open streams at the first signal: they would hold the server up.

    Once everything is answered it returns, where uvicorn would raise the signal again and end
    the process before the store is closed and a throw-away folder removed.
    """

    def __init__(self, config: uvicorn.Config, bell: HeadsBell) -> None:
        super().__init__(config)
        self._bell = bell

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        signals = (signal.SIGINT, signal.SIGTERM)
        former = {number: signal.signal(number, self.handle_exit) for number in signals}
        try:
            yield
        finally:
            for number, handler in former.items():
                signal.signal(number, handler)

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        super().handle_exit(sig, frame)
        self._bell.close()


def serve(
    store: UnitStore,
    folder: Path,
    listening: Listening,
    bound: socket.socket,
    environment: Environment,
    *,
    on_ready: Callable[[], None],
    backups: BackupPlan | None = None,
    heads_to: Path | None = None,
    is_shared: bool = False,
) -> None:
    """Serve until a signal comes; then end streams, answer what is open, and close the store.

    Parameters
    ----------
    is_shared : bool
        Other processes have the same records open, commands among them: no note for them is left
        in the folder, and each process keeps a request log of its own.
    """
    # What a cut has left of an erasure is done before anybody can read in it (ER5).
    finish_erasures(store, draw_chance=environment.draw_chance)
    # What a full disk or a restored backup has left of pictures entered in error.
    forget_struck_pictures(store)
    key = environment.new_token()
    app = create_app(
        store,
        environment,
        read_built_app(),
        local_key=key,
        hosts=listening.hosts,
        is_https=listening.is_https,
        is_behind_proxy=listening.is_behind_proxy,
        heads_to=heads_to,
        log_folder=folder / FOLDER_NAME / (str(listening.port) if is_shared else ""),
    )
    if backups is not None:
        watch = BackupWatch(
            store,
            backups.place,
            backups.recipients,
            every_seconds=backups.every_seconds,
            keep=backups.keep,
            now_ms=environment.now_ms,
        )
        app.on_startup.append(watch.rounds.start)
        app.on_shutdown.append(watch.rounds.close)
    config = configure(app, listening)
    certificate = str(listening.certificate.resolve()) if listening.certificate else ""
    try:
        if not is_shared:
            note_running_server(folder, RunningServer(listening.address, key, certificate))
    except OSError as error:
        message = f"The data folder {folder} cannot be written ({error.strerror})."
        raise StorageError(message) from error
    try:
        on_ready()
        _Server(config, app.state.surroundings.bell).run(sockets=[bound])
    finally:
        if not is_shared:
            forget_running_server(folder)
        store.close()
