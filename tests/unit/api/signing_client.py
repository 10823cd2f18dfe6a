"""Signs requests as the device whose token they bear (RFC 9421): for tests and the bench alone."""

import hashlib
from collections.abc import Generator
from urllib.parse import urlsplit

import httpx

from sync.request_signing import (
    RequestProof,
    write_content_digest,
    write_parameters,
    write_request_base,
    write_signature,
)
from tests.unit.api.signing_device import SigningDevice


def sign_request(
    signer: SigningDevice, method: str, address: str, content: bytes, nonce: str
) -> dict[str, str]:
    """Return the headers by which a device signs one request.

    ``address`` is a path with its query, as it travels.
    """
    proof = RequestProof(signer.device, nonce)
    digest = write_content_digest(hashlib.sha256(content).digest())
    parts = urlsplit(address)
    base = write_request_base(
        proof, method=method, path=parts.path, query=parts.query, content_digest=digest
    )
    return {
        "content-digest": digest,
        "signature-input": f"crura={write_parameters(proof)}",
        "signature": write_signature(signer.sign(base)),
    }


class SigningClient(httpx.Auth):
    """Signs for every token it was told of; a request that is signed already goes as it is."""

    requires_request_body = True

    def __init__(self) -> None:
        self.signers: dict[str, SigningDevice] = {}
        # Who asks to join now, before there is a token.
        self.joining: SigningDevice | None = None
        self.nonces: list[str] = []

    def auth_flow(self, request: httpx.Request) -> Generator[httpx.Request, httpx.Response, None]:
        token = request.headers.get("authorization", "").removeprefix("Bearer ")
        signer = self.joining or self.signers.get(token)
        if signer is None or "signature" in request.headers:
            yield request
            return
        address = request.url.raw_path.decode()
        for _ in range(2):
            nonce = self.nonces.pop() if self.nonces else "none"
            signed = sign_request(signer, request.method, address, request.content, nonce)
            request.headers.update(signed)
            response = yield request
            fresh = response.headers.get("crura-nonce")
            if fresh is None:
                return
            self.nonces.append(fresh)
            # An answer that streams is not read here; only a refusal is.
            if response.status_code != httpx.codes.UNAUTHORIZED:
                return
            response.read()
            if response.json().get("type") != "/problems/nonce":
                return


def join_over_http(
    address: str, code: str, signer: SigningDevice, *, epoch: str = "ep01", held: str = ""
) -> httpx.Client:
    """Let a device join a server by a code and return a client that signs as it.

    ``held`` is the token of an earlier joining.
    """
    signing = SigningClient()
    client = httpx.Client(base_url=address, auth=signing, timeout=60)
    content = {
        "code": code,
        "device": signer.device,
        "name": signer.device,
        "key": signer.key_text,
        "epoch": epoch,
    }
    signing.joining = signer
    headers = {"authorization": f"Bearer {held}"} if held else {}
    answer = client.post("/api/devices", json=content, headers=headers)
    signing.joining = None
    assert answer.status_code == httpx.codes.CREATED, answer.text
    use_token(client, answer.json()["token"], signer)
    return client


def use_token(client: httpx.Client, token: str, signer: SigningDevice) -> None:
    """Let a client go on under a token, signed by a key."""
    assert isinstance(client.auth, SigningClient)
    client.auth.signers = {token: signer}
    client.headers["authorization"] = f"Bearer {token}"


def token_of(client: httpx.Client) -> str:
    """Return the token that a client sends."""
    return client.headers["authorization"].removeprefix("Bearer ")
