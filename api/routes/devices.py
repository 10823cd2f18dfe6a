"""Devices over HTTP: joining by a code, and invitations made by commands on this machine."""

import hmac
from typing import Annotated, Any

import msgspec
from litestar import Request, get, post
from litestar.di import Provide
from litestar.params import JSONBody

from api.routes.surroundings import Around, AskingDevice, bearer_token, provide_device
from api.use_cases.errors import JoinRefusedError, TooManyTriesError, UnknownDeviceError
from api.use_cases.invite_device import TEN_MINUTES_MS, invite_device
from api.use_cases.join_device import EnrolledKey, Membership, join_device
from api.use_cases.list_devices import Devices, list_devices
from api.use_cases.revoke_device import revoke_device
from sync.operation_log import Tip


class Joining(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a device sends to join: the code, the id it chose, and a name people know it by.

    ``key`` is its public key (base64) and ``epoch`` the epoch from which it signs with it.
    """

    code: Annotated[str, msgspec.Meta(max_length=64)]
    device: Annotated[str, msgspec.Meta(max_length=64)]
    name: Annotated[str, msgspec.Meta(max_length=200)]
    key: Annotated[str, msgspec.Meta(max_length=200)] | None = None
    epoch: Annotated[str, msgspec.Meta(max_length=64)] = ""


class InvitationRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a command asks of the running server."""

    role: str
    lasts_ms: int = TEN_MINUTES_MS


class Invitation(msgspec.Struct, frozen=True):
    """A code that lets one device join."""

    code: str


@post("/api/devices", tags=["devices"], sync_to_thread=True)
def post_device(
    request: Request[Any, Any, Any], data: JSONBody[Joining], around: Around
) -> Membership:
    """Join the unit; the token in the answer is shown this one time."""
    now_ms = around.environment.now_ms()
    if around.wrong_codes.are_too_many(now_ms):
        raise TooManyTriesError("Too many wrong codes were tried. Wait a minute, then try again.")
    try:
        return join_device(
            around.store,
            code=data.code,
            device=data.device,
            name=data.name,
            held_token=bearer_token(request),
            key=EnrolledKey(data.key, data.epoch) if data.key is not None else None,
            new_token=around.environment.new_token(),
            now_ms=now_ms,
        )
    except JoinRefusedError:
        around.wrong_codes.note(now_ms)
        raise


@get(
    "/api/devices",
    tags=["devices"],
    dependencies={"device": Provide(provide_device, sync_to_thread=True)},
    sync_to_thread=True,
)
def get_devices(device: AskingDevice, around: Around) -> Devices:
    """List the unit's devices with their last exchange, the longest silent one first."""
    return list_devices(around.store, device, now_ms=around.environment.now_ms())


class Revocation(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a command asks of the running server."""

    device: Annotated[str, msgspec.Meta(max_length=64)]


class Revoked(msgspec.Struct, frozen=True):
    """Where the logs of the revoked device end."""

    ends: tuple[Tip, ...]


@post("/api/revocations", include_in_schema=False, sync_to_thread=True)
def post_revocation(
    request: Request[Any, Any, Any], data: JSONBody[Revocation], around: Around
) -> Revoked:
    """Revoke a device for `crura device revoke`, which holds the key of the data folder."""
    token = bearer_token(request) or ""
    if not hmac.compare_digest(token.encode(), around.local_key.encode()):
        raise UnknownDeviceError("Devices are revoked by `crura device revoke` on the server.")
    now_ms = around.environment.now_ms()
    return Revoked(revoke_device(around.store, data.device, now_ms=now_ms))


@post("/api/invitations", include_in_schema=False, sync_to_thread=True)
def post_invitation(
    request: Request[Any, Any, Any], data: JSONBody[InvitationRequest], around: Around
) -> Invitation:
    """Make an invitation for `crura device invite`, which holds the key of the data folder."""
    token = bearer_token(request) or ""
    if not hmac.compare_digest(token.encode(), around.local_key.encode()):
        raise UnknownDeviceError("Invitations are made by `crura device invite` on the server.")
    code = around.environment.new_code()
    invite_device(
        around.store,
        data.role,
        code=code,
        now_ms=around.environment.now_ms(),
        lasts_ms=data.lasts_ms,
    )
    return Invitation(code)
