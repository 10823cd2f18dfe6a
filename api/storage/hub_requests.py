"""Asks the hub over HTTP as a device does: each request signed, each answer bounded (RQ1-RQ4)."""

import base64
import hashlib
import ssl
from collections.abc import Generator
from typing import Any
from urllib.parse import urlsplit

import httpx
import msgspec

from api.storage.server_key import ServerKey
from sync.request_signing import (
    LABEL,
    RequestProof,
    write_content_digest,
    write_parameters,
    write_request_base,
    write_signature,
)

LONGEST_SECONDS = 30.0
# A page of the exchange has 262,144 bytes of entries; beyond this it is none.
MOST_BYTES = 8_388_608
# A request that is refused for its nonce alone is sent once more with the fresh one (RQ4).
_TRIES = 2
_NONCE_HEADER = "crura-nonce"


class NoAnswerError(Exception):
    """Nothing is known about what was done: the hub was not reached, or its answer was cut off."""


class HubAnswer(msgspec.Struct, frozen=True):
    """What the hub answered: status of HTTP and the content of its JSON."""

    status: int
    content: Any

    @property
    def is_good(self) -> bool:
        """Say whether the hub did what was asked."""
        return httpx.codes.is_success(self.status)

    @property
    def sentence(self) -> str:
        """Why not, in the hub's words."""
        detail = self.content.get("detail") if isinstance(self.content, dict) else None
        return str(detail) if detail else f"The hub answered {self.status}. Try again later."


class RequestSigner(httpx.Auth):
    """Signs each request as one device and keeps the nonces that come along."""

    requires_request_body = True

    def __init__(self, device: str, key: ServerKey) -> None:
        self._device, self._key = device, key
        self._nonce = "none"

    def auth_flow(self, request: httpx.Request) -> Generator[httpx.Request, httpx.Response, None]:
        """Sign, send, and where the nonce alone was refused, once more."""
        for _ in range(_TRIES):
            request.headers.update(self._sign(request))
            response = yield request
            fresh = response.headers.get(_NONCE_HEADER)
            if fresh is None or fresh == self._nonce:
                return
            self._nonce = fresh
            if response.status_code != httpx.codes.UNAUTHORIZED:
                return

    def _sign(self, request: httpx.Request) -> dict[str, str]:
        proof = RequestProof(self._device, self._nonce)
        digest = write_content_digest(hashlib.sha256(request.content).digest())
        parts = urlsplit(request.url.raw_path.decode())
        base = write_request_base(
            proof,
            method=request.method,
            path=parts.path,
            query=parts.query,
            content_digest=digest,
        )
        return {
            "content-digest": digest,
            "signature-input": f"{LABEL}={write_parameters(proof)}",
            "signature": write_signature(self._key.sign(base.encode())),
        }


class HubRequests:
    """One line to a hub; close it after use.

    Parameters
    ----------
    token : str
        What the hub gave at joining, "" before.
    transport : httpx.BaseTransport or None
        How requests travel; None is the network.
    """

    def __init__(
        self,
        address: str,
        device: str,
        key: ServerKey,
        *,
        token: str = "",
        transport: httpx.BaseTransport | None = None,
    ) -> None:
        self._key = key
        self._client = httpx.Client(
            base_url=address,
            auth=RequestSigner(device, key),
            headers={"authorization": f"Bearer {token}"} if token else {},
            # The machine's own list of authorities, to which a hospital adds its own.
            verify=ssl.create_default_context(),
            trust_env=False,
            timeout=LONGEST_SECONDS,
            transport=transport,
        )

    def __enter__(self) -> "HubRequests":
        return self

    def __exit__(self, *_: object) -> None:
        self._client.close()

    def sign(self, text: str) -> str:
        """Return a signature of the device over a text, in base64 (SG2)."""
        return base64.b64encode(self._key.sign(text.encode())).decode()

    def get(self, path: str, **asked: str | int | bool) -> HubAnswer:
        """Ask for something.

        Raises
        ------
        NoAnswerError
            No whole answer came.
        """
        return self._ask("GET", path, params=httpx.QueryParams(asked))

    def post(self, path: str, content: Any) -> HubAnswer:  # noqa: ANN401  any JSON
        """Send something.

        Raises
        ------
        NoAnswerError
            No whole answer came.
        """
        return self._ask(
            "POST",
            path,
            content=msgspec.json.encode(content),
            headers={"content-type": "application/json"},
        )

    def _ask(self, method: str, path: str, **sent: Any) -> HubAnswer:  # noqa: ANN401  httpx
        read = bytearray()
        try:
            with self._client.stream(method, path, **sent) as answer:
                for piece in answer.iter_bytes():
                    read += piece
                    if len(read) > MOST_BYTES:
                        raise NoAnswerError("The hub's answer is too long to be one.")
                status = answer.status_code
        except (httpx.HTTPError, httpx.InvalidURL, ssl.SSLError) as error:
            raise NoAnswerError(f"The hub was not reached ({type(error).__name__}).") from error
        try:
            return HubAnswer(status, msgspec.json.decode(bytes(read)) if read else None)
        except msgspec.DecodeError as error:
            if httpx.codes.is_success(status):
                raise NoAnswerError("What answered is no hub.") from error
            return HubAnswer(status, None)
