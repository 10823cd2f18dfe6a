"""Which device asks, proved by a signature over the request: HTTP message signatures (RFC 9421).

A token alone opens nothing: whoever copies it from a disk or a log has no key to sign with, and a
request that was overheard is good once and no more. Rule ids: RQ1-RQ5, RQ7 in `sync/SPEC.md`.
"""

import asyncio
import hmac
from collections.abc import Iterable
from typing import Any

from litestar import Request

from api.routes.nonces import LASTS_MS, NonceVerdict
from api.routes.request_notes import note_device
from api.routes.signed_shell import sent_body
from api.storage.device_store import UNIT_ROLE, Device
from api.storage.p256 import is_signed, read_base64
from api.storage.unit_store import UnitStore
from api.use_cases.errors import (
    DeviceRevokedError,
    DeviceWaitingError,
    NonceRefusedError,
    TooManyTriesError,
    UnknownDeviceError,
)
from api.use_cases.revoke_device import tell_revocation
from sync.errors import MalformedOperationError
from sync.request_signing import (
    RequestProof,
    read_parameters,
    read_signature,
    write_content_digest,
    write_request_base,
)

_PROVED = "proved_device"
Asked = Request[Any, Any, Any]

_UNKNOWN = "This device is not known here. Join it again by an invitation."
_UNPROVED = (
    "This request is not signed by the key of this device. Join it again by an invitation; ask "
    "the data manager if it goes on."
)
_OTHER_BODY = "What came is not what the device sent. Send it again."


def bearer_token(request: Asked) -> str | None:
    """Return the token of a request, None when it carries none."""
    scheme, _, token = request.headers.get("authorization", "").partition(" ")
    return token.strip() if scheme.lower() == "bearer" and token.strip() else None


def is_of_machine(request: Asked) -> bool:
    """Say whether a command on the server asks, which holds the key of the data folder."""
    token = bearer_token(request)
    local_key: str = request.app.state.surroundings.local_key
    return token is not None and hmac.compare_digest(token.encode(), local_key.encode())


async def prove_device(request: Asked) -> Device | None:
    """Return the device that asks, also one that waits or was revoked; None where none is shown.

    A request is judged once, whoever wants to know later: its nonce is good once.

    Raises
    ------
    UnknownDeviceError
        A token that is not valid here, or no valid signature of the device's key.
    NonceRefusedError
        The nonce is over, used or of another start of the server; a new one comes along.
    TooManyTriesError
        It asks too often.
    """
    proved = proved_device(request)
    if proved is not None:
        return proved
    around = request.app.state.surroundings
    token = bearer_token(request)
    if token is None or is_of_machine(request):
        return None
    found = await asyncio.to_thread(_find, around.store, token)
    if found is None:
        raise UnknownDeviceError(_UNKNOWN)
    device, key = found
    if key is None:
        raise UnknownDeviceError(
            "This device has no key to sign with. Update the app on it, then join it again by an "
            "invitation."
        )
    await _refuse_unproved(request, device.id, key, counted_for=device.id)
    note_device(request, device.id)
    around.limits.spend(request.route_handler.opt.get("limit", "device"), device.id)
    request.state[_PROVED] = device
    return device


def proved_device(request: Asked) -> Device | None:
    """Return the device that `prove_device` found for this request, None where it did not."""
    proved = request.state.get(_PROVED)
    return proved if isinstance(proved, Device) else None


async def prove_joining(request: Asked, device: str, public_key: str) -> None:
    """Refuse a joining that is not signed by the very key it brings (RQ5).

    The name in it is a claim that anybody can make: nothing is counted against who bears it.

    Raises
    ------
    UnknownDeviceError, NonceRefusedError, TooManyTriesError
        As `prove_device`; too many are all joinings of the last ten minutes together.
    """
    await _refuse_unproved(request, device, read_base64(public_key) or b"", counted_for=None)


def refuse_barred(device: Device, store: UnitStore) -> None:
    """Refuse a device that was revoked, in the words that it acts on, and one that waits.

    Raises
    ------
    DeviceRevokedError, DeviceWaitingError
        It is one of these (RQ7, RQ8).
    """
    if device.revoked_ms is not None:
        is_unit = device.role == UNIT_ROLE
        raise DeviceRevokedError(tell_revocation(store, device), is_unit=is_unit)
    refuse_waiting(device)


def refuse_waiting(device: Device) -> None:
    """Refuse a device whose key nobody has confirmed yet.

    Raises
    ------
    DeviceWaitingError
        It waits (RQ7).
    """
    if device.is_waiting:
        raise DeviceWaitingError(
            "This device waits until somebody at the unit has confirmed its six digits. Read them "
            "out to the person who invited it."
        )


def _find(store: UnitStore, token: str) -> tuple[Device, bytes | None] | None:
    with store.transaction():
        device = store.devices.find_by_token(token)
        if device is None:
            return None
        key = store.signatures.newest_key_of(device.id)
        return device, None if key is None else key.public_key


async def _refuse_unproved(
    request: Asked, device: str, public_key: bytes, *, counted_for: str | None
) -> None:
    nonces = request.app.state.surroundings.nonces
    body = sent_body(request.scope)
    # With every answer comes the nonce for the next request, also with a refusal.
    body.next_nonce = nonces.draw()
    signed = _read_signed(request)
    if signed is None:
        raise UnknownDeviceError(_UNPROVED)
    proof, digest, base, signature = signed
    if proof.device != device or not is_signed(public_key, base.encode(), signature):
        raise UnknownDeviceError(_UNPROVED)
    # Only now: a nonce is used up by who may use it, and by nobody who merely saw it.
    verdict = await nonces.take_in_turn(proof.nonce, counted_for)
    if verdict is NonceVerdict.TOO_MANY:
        sentence = "This was asked too often. Wait ten minutes, then try again."
        raise TooManyTriesError(sentence, retry_after_s=LASTS_MS // 1_000)
    if verdict is not NonceVerdict.GOOD:
        raise NonceRefusedError("This request comes too late or a second time. Send it anew.")
    # The body last: nothing of it is read for somebody unknown.
    await request.body()
    if write_content_digest(body.digest()) != digest:
        raise UnknownDeviceError(_OTHER_BODY)


def _read_signed(request: Asked) -> tuple[RequestProof, str, str, bytes] | None:
    """Return proof, digest, signed text and signature of a request, None where they are not."""
    said, given, digest = (
        _only(request.scope["headers"], name)
        for name in (b"signature-input", b"signature", b"content-digest")
    )
    proof, signature = read_parameters(said), read_signature(given)
    if proof is None or signature is None:
        return None
    scope = request.scope
    try:
        base = write_request_base(
            proof,
            method=scope["method"],
            path=scope["raw_path"].decode("latin-1").partition("?")[0],
            query=scope["query_string"].decode("latin-1"),
            content_digest=digest,
        )
    except MalformedOperationError:
        return None
    return proof, digest, base, signature


def _only(headers: Iterable[tuple[bytes, bytes]], name: bytes) -> str:
    """Return a header that stands there once, "" otherwise: no two readings of one request."""
    found = [content for key, content in headers if key == name]
    return found[0].decode("latin-1") if len(found) == 1 else ""
