"""How requests are taken in: lines, certificates, proxies, and what the server refuses to start."""

import asyncio
import datetime
import ipaddress
import socket
import ssl
import threading
import time

import httpx
import pytest
import uvicorn
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from api import http_lines, serving
from api.command_parts import ENVIRONMENT
from api.http_lines import MAX_HEAD_BYTES
from api.routes.outer_shell import OuterShell
from api.serving import Listening, ServingError, configure, open_socket
from api.storage.unit_store import open_unit_store


async def tell_scope(scope, receive, send):
    """An application that says who asks, as the server believes."""
    told = f"{scope['client'][0]} {scope['scheme']}".encode()
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": told})


class Running:
    """The server's own configuration around a small application, in a thread."""

    def __init__(self, certificate=None, private_key=None):
        listening = Listening("127.0.0.1", 0, certificate, private_key)
        self.bound = open_socket(listening)
        self.port = self.bound.getsockname()[1]
        config = configure(OuterShell(tell_scope), listening)
        config.lifespan = "off"
        self.server = uvicorn.Server(config)
        self.thread = threading.Thread(
            target=lambda: asyncio.run(self.server.serve(sockets=[self.bound]))
        )

    def __enter__(self):
        self.thread.start()
        while not self.server.started:
            assert self.thread.is_alive()
            time.sleep(0.01)
        return self

    def __exit__(self, *_):
        self.server.should_exit = True
        self.thread.join(timeout=30)

    def say(self, *pieces):
        """Send pieces, each but the last answered, and return all that comes until the end."""
        with socket.create_connection(("127.0.0.1", self.port), timeout=30) as line:
            answer = b""
            for place, piece in enumerate(pieces):
                line.sendall(piece)
                while place < len(pieces) - 1 and not answer.endswith(b"\r\n0\r\n\r\n"):
                    answer += line.recv(65_536)
            while received := line.recv(65_536):
                answer += received
        return answer


@pytest.fixture(autouse=True)
def _signals_stay(monkeypatch):
    # A server in a thread may not take over the signals of the tests.
    monkeypatch.setattr(uvicorn.Server, "capture_signals", lambda self: _Nothing())


class _Nothing:
    def __enter__(self):
        return None

    def __exit__(self, *_):
        return None


@pytest.fixture(scope="module")
def certificate(tmp_path_factory):
    folder = tmp_path_factory.mktemp("certificate")
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "unit.invalid")])
    now = datetime.datetime.now(datetime.UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(1)
        .not_valid_before(now - datetime.timedelta(days=1))
        .not_valid_after(now + datetime.timedelta(days=1))
        .add_extension(
            x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]),
            critical=False,
        )
        .sign(key, hashes.SHA256())
    )
    (folder / "cert.pem").write_bytes(made.public_bytes(serialization.Encoding.PEM))
    (folder / "key.pem").write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )
    return folder / "cert.pem", folder / "key.pem"


@pytest.mark.parametrize(
    "pieces",
    [
        (),
        (b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: ",),
        # A second request on a line that was answered already.
        (b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n", b"GET / HT"),
    ],
)
def test_a_head_that_does_not_end_is_not_waited_for(pieces, monkeypatch):
    """[SEC-02] The planted bug it has caught: the server's own protocol, which waits for ever."""
    monkeypatch.setattr(http_lines, "MAX_HEAD_SECONDS", 0.2)

    with Running() as running:
        answer = running.say(*pieces)

    assert answer.count(b"HTTP/1.1 200") == (1 if len(pieces) > 1 else 0)


@pytest.mark.parametrize(
    "sent",
    [
        b"this is no HTTP\r\n\r\n",
        b"GET / HTTP/1.1\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: a\r\nContent-Length: x\r\n\r\n",
        b"POST / HTTP/1.1\r\nHost: a\r\nContent-Length: 1\r\nContent-Length: 2\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: a\r\nX-Long: " + b"x" * MAX_HEAD_BYTES,
    ],
)
def test_what_is_no_http_is_refused_with_the_headers_of_every_answer(sent):
    """[SEC-02] The planted bug it has caught: the bare 400 of the server's own protocol."""
    with Running() as running:
        answer = running.say(sent)

    head, _, content = answer.partition(b"\r\n\r\n")
    assert head.startswith(b"HTTP/1.1 400 ")
    for name in (b"content-security-policy", b"x-content-type-options", b"referrer-policy"):
        assert name in head.lower()
    assert b"server:" not in head.lower()
    assert b"application/problem+json" in head
    assert b"This is no HTTP request" in content


def test_nobody_is_believed_who_says_for_whom_he_asks():
    """[SEC-06] The planted bug it has caught: X-Forwarded-For of any neighbour on the loopback."""
    said = {"x-forwarded-for": "10.9.8.7", "x-forwarded-proto": "https", "forwarded": "for=1.2.3.4"}

    with Running() as running:
        told = httpx.get(f"http://127.0.0.1:{running.port}/", headers=said).text

    assert told == "127.0.0.1 http"


def _context(certificate, version, ciphers="DEFAULT:@SECLEVEL=0"):
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.load_verify_locations(certificate)
    # What this machine's own settings forbid has to be forbidden by the server here.
    context.set_ciphers(ciphers)
    context.minimum_version = context.maximum_version = version
    return context


@pytest.mark.filterwarnings("ignore:ssl.TLSVersion.TLSv1")
def test_old_versions_of_tls_are_refused(certificate):
    """[SEC-09] The planted bugs it has caught: the least version of the library left as it is,
    and its own choice of ciphers.
    """
    with Running(*certificate) as running:
        for version in (ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3):
            answer = httpx.get(
                f"https://127.0.0.1:{running.port}/", verify=_context(certificate[0], version)
            )
            assert answer.text == "127.0.0.1 https"
            assert answer.headers["strict-transport-security"] == "max-age=31536000"
        for version in (ssl.TLSVersion.TLSv1, ssl.TLSVersion.TLSv1_1):
            with pytest.raises(httpx.ConnectError):
                httpx.get(
                    f"https://127.0.0.1:{running.port}/", verify=_context(certificate[0], version)
                )
        for ciphers in ("ECDHE+AESGCM", "ECDHE+CHACHA20"):
            strong = _context(certificate[0], ssl.TLSVersion.TLSv1_2, ciphers)
            assert httpx.get(f"https://127.0.0.1:{running.port}/", verify=strong).status_code == 200
        weak = _context(certificate[0], ssl.TLSVersion.TLSv1_2, "ECDHE+AES+SHA256:ECDHE+AES+SHA1")
        with pytest.raises(httpx.ConnectError):
            httpx.get(f"https://127.0.0.1:{running.port}/", verify=weak)
    config = configure(tell_scope, Listening("127.0.0.1", 0, *certificate))
    config.load()
    assert config.ssl is not None
    assert config.ssl.minimum_version == ssl.TLSVersion.TLSv1_2


@pytest.mark.parametrize(
    ("listening", "part"),
    [
        ({"host": "192.0.2.7"}, "in clear"),
        ({"host": "192.0.2.1"}, "--behind-proxy"),
        ({"host": "127.0.0.1", "is_behind_proxy": True}, "--host-name"),
        (
            {"host": "192.0.2.7", "is_behind_proxy": True, "host_names": ("unit.invalid",)},
            "stays on 127.0.0.1",
        ),
    ],
)
def test_what_would_send_records_in_clear_does_not_start(listening, part):
    """[SEC-01] The planted bug it has caught: a proxy's word taken for a certificate."""
    with pytest.raises(ServingError, match=part):
        open_socket(Listening(port=0, **listening))


def test_a_proxy_with_a_certificate_here_does_not_start(certificate):
    with pytest.raises(ServingError, match="the proxy holds the certificate"):
        open_socket(
            Listening("127.0.0.1", 0, *certificate, ("unit.invalid",), is_behind_proxy=True)
        )


@pytest.mark.parametrize("is_behind_proxy", [True, False])
def test_the_app_believes_a_proxy_only_where_one_was_told_of(
    tmp_path, monkeypatch, is_behind_proxy
):
    """[SEC-06] Caught, planted: the switch that went no further than the command line."""

    class Made(Exception):  # noqa: N818  not an error: what was asked of the app
        pass

    def make(*_, **told):
        raise Made(told["is_behind_proxy"])

    monkeypatch.setattr(serving, "create_app", make)
    listening = Listening("127.0.0.1", 0, is_behind_proxy=is_behind_proxy)
    store = open_unit_store(tmp_path, new_generation="generation-1")
    with socket.socket() as bound, pytest.raises(Made) as made:
        serving.serve(store, tmp_path, listening, bound, ENVIRONMENT, on_ready=lambda: None)
    store.close()

    assert made.value.args == (is_behind_proxy,)


@pytest.mark.parametrize(
    ("listening", "taken", "refused"),
    [
        (Listening("127.0.0.1", 1), {"127.0.0.1", "localhost", "[::1]"}, {"unit.invalid"}),
        (
            Listening("127.0.0.1", 1, host_names=("Unit.invalid",), is_behind_proxy=True),
            {"127.0.0.1", "unit.invalid"},
            {"other.invalid"},
        ),
        (
            Listening("2001:db8::1", 1, host_names=("unit.invalid",)),
            {"[2001:db8::1]", "unit.invalid"},
            {"[2001:db8::2]"},
        ),
    ],
)
def test_the_server_answers_to_the_names_it_was_given(listening, taken, refused):
    """[SEC-01]"""
    assert listening.hosts is not None
    assert taken <= listening.hosts
    assert not refused & listening.hosts
