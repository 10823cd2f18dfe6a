"""Devices over HTTP: joining by a code, how each stands, and letting in who was invited.

What a person may do here, a command at the server may too, by the key of the data folder; who may
what stands in the authorisation table.
"""

import asyncio
from typing import Annotated, Any

import msgspec
from litestar import Request, get, post
from litestar.params import JSONBody

from api.routes.access_events import note_asker, note_refusal
from api.routes.asking_source import source_of
from api.routes.device_proof import prove_joining, proved_device
from api.routes.people import BY_A_KEEPER, Keeper
from api.routes.surroundings import (
    BY_A_DEVICE,
    Around,
    AskingDevice,
    bearer_token,
)
from api.storage.device_store import ROLE_STREAMS, Device
from api.use_cases.confirm_device import confirm_device, fingerprint_of
from api.use_cases.errors import JoinRefusedError, NotAllowedError, UnknownDeviceError
from api.use_cases.invite_device import TEN_MINUTES_MS, invite_device
from api.use_cases.join_device import EnrolledKey, Membership, join_device, refuse_malformed
from api.use_cases.list_devices import Devices, list_all_devices, list_devices
from api.use_cases.revoke_device import ToldRevocation, tell_revocation

MAX_NONCES = 16
_DeviceId = Annotated[str, msgspec.Meta(max_length=64)]


class Joining(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a device sends to join: the code, the id it chose, and a name people know it by.

    ``key`` is its public key (base64), by which this very request is signed, and ``epoch`` the
    epoch from which it signs with it. ``for_recovery`` says that its keys are lost and that it
    will ask for its data key (SE4).
    """

    code: Annotated[str, msgspec.Meta(max_length=64)]
    device: _DeviceId
    name: Annotated[str, msgspec.Meta(max_length=200)]
    key: Annotated[str, msgspec.Meta(max_length=200)] = ""
    epoch: Annotated[str, msgspec.Meta(max_length=64)] = ""
    for_recovery: bool = False


class NonceRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How many nonces are wanted."""

    count: Annotated[int, msgspec.Meta(ge=1, le=MAX_NONCES)] = 1


class DrawnNonces(msgspec.Struct, frozen=True):
    """Nonces, each good for one signed request and for ten minutes."""

    nonces: tuple[str, ...]


@post(
    "/api/nonces",
    tags=["devices"],
    status_code=200,
    sync_to_thread=False,
    opt={"needs": "nonces.draw"},
)
def post_nonces(
    request: Request[Any, Any, Any], data: JSONBody[NonceRequest], around: Around
) -> DrawnNonces:
    """Draw nonces for requests to come; nothing is kept of them before they are used."""
    around.limits.spend("nonce", source_of(request))
    return DrawnNonces(tuple(around.nonces.draw() for _ in range(data.count)))


@post("/api/devices", tags=["devices"], opt={"needs": "membership.join"})
async def post_device(
    request: Request[Any, Any, Any], data: JSONBody[Joining], around: Around
) -> Membership:
    """Join the unit; the token in the answer is shown this one time."""
    source = source_of(request)
    around.limits.spend("join-asked", source)
    around.limits.refuse_if_spent("join", source)
    around.limits.refuse_if_spent("join-anywhere", "")
    if not data.key:
        raise JoinRefusedError(
            "This browser gives no key to sign with. Open the link by https, or update the browser."
        )
    key = EnrolledKey(data.key, data.epoch)
    refuse_malformed(data.device, key)
    await prove_joining(request, data.device, data.key)
    try:
        return await asyncio.to_thread(
            join_device,
            around.store,
            code=data.code,
            device=data.device,
            name=data.name,
            held_token=bearer_token(request),
            key=key,
            for_recovery=data.for_recovery,
            new_token=around.environment.new_token(),
            now_ms=around.environment.now_ms(),
        )
    except JoinRefusedError:
        around.limits.spend("join", source)
        around.limits.spend("join-anywhere", "")
        raise


@get(
    "/api/devices",
    tags=["devices"],
    dependencies=BY_A_DEVICE,
    sync_to_thread=True,
    opt={"needs": "devices.read"},
)
def get_devices(device: AskingDevice, around: Around) -> Devices:
    """List the unit's devices with their last exchange and what they told; who is missed first."""
    now_ms, served_build = around.environment.now_ms(), around.served_build
    return list_devices(around.store, device, now_ms=now_ms, served_build=served_build)


class OwnStanding(msgspec.Struct, frozen=True, kw_only=True):
    """How a device stands to the unit; ``revocation`` is None but for one that was revoked.

    ``is_key_refused`` where it waits for its data key and was refused it (SE4).
    """

    device: str
    role: str
    streams: tuple[str, ...]
    name: str
    is_waiting: bool
    is_key_refused: bool
    fingerprint: str
    revocation: ToldRevocation | None


@get("/api/devices/own", tags=["devices"], sync_to_thread=True, opt={"needs": "standing.read"})
def get_own_standing(request: Request[Any, Any, Any], around: Around) -> OwnStanding:
    """Say whether the asking device may come in yet, also to one that waits or was revoked."""
    device = proved_device(request)
    if device is None:
        raise UnknownDeviceError("This device is not known here. Join it again by an invitation.")
    with around.store.transaction():
        fingerprint = fingerprint_of(around.store, device.id)
        recovery = around.store.devices.recovery_of(device.id)
    return OwnStanding(
        device=device.id,
        role=device.role,
        streams=ROLE_STREAMS[device.role],
        name=device.name,
        is_waiting=device.is_waiting,
        is_key_refused=recovery.refused_ms is not None,
        fingerprint=fingerprint,
        revocation=_told(around, device),
    )


def _told(around: Around, device: Device) -> ToldRevocation | None:
    return None if device.revoked_ms is None else tell_revocation(around.store, device)


@get(
    "/api/unit-devices",
    tags=["unit desk"],
    sync_to_thread=True,
    opt={"needs": "unit-devices.read"},
)
def get_unit_devices(around: Around) -> Devices:
    """List the unit's devices to who looks after them; those that wait are among them."""
    now_ms, served_build = around.environment.now_ms(), around.served_build
    return list_all_devices(around.store, now_ms=now_ms, served_build=served_build)


class InvitationRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Whom to invite, and by which name people will know it; "" for the next number.

    ``is_trusted`` is for a command that invites a browser of this machine.
    """

    role: Annotated[str, msgspec.Meta(max_length=24)]
    lasts_ms: Annotated[int, msgspec.Meta(ge=60_000, le=86_400_000)] = TEN_MINUTES_MS
    is_trusted: bool = False
    name: Annotated[str, msgspec.Meta(max_length=200)] = ""


class Invitation(msgspec.Struct, frozen=True):
    """A code that lets one device join, and the part of the address that carries it as a QR code.

    The code stands behind ``#``, so that no server and no log ever sees it. ``name`` is the one
    that the device will bear, "" for a unit, which names itself.
    """

    code: str
    fragment: str
    name: str


@post(
    "/api/invitations",
    tags=["unit desk"],
    dependencies=BY_A_KEEPER,
    sync_to_thread=True,
    opt={"needs": "unit-devices.invite"},
)
def post_invitation(
    request: Request[Any, Any, Any],
    data: JSONBody[InvitationRequest],
    keeper: Keeper,
    around: Around,
) -> Invitation:
    """Make an invitation; only a command at the server makes one that waits for nobody."""
    note_asker(request, around, "invite", "unit-devices", why=data.role)
    code = around.environment.new_code()
    name = invite_device(
        around.store,
        data.role,
        code=code,
        now_ms=around.environment.now_ms(),
        lasts_ms=data.lasts_ms,
        is_trusted=data.is_trusted and keeper == "",
        name=data.name,
    )
    return Invitation(code, f"#join={code}", name)


class Confirmation(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A device that waits, and the six digits that its own screen shows."""

    device: _DeviceId
    fingerprint: Annotated[str, msgspec.Meta(max_length=16)]


class Confirmed(msgspec.Struct, frozen=True):
    """The device that is in now."""

    device: str


@post(
    "/api/confirmations",
    tags=["unit desk"],
    dependencies=BY_A_KEEPER,
    sync_to_thread=True,
    opt={"needs": "unit-devices.confirm"},
)
def post_confirmation(
    request: Request[Any, Any, Any],
    data: JSONBody[Confirmation],
    keeper: Keeper,
    around: Around,
) -> Confirmed:
    """Let in a device whose six digits a person has compared with its screen."""
    now_ms = around.environment.now_ms()
    try:
        with around.store.transaction():
            confirm_device(around.store, data.device, data.fingerprint, by=keeper, now_ms=now_ms)
            note_asker(request, around, "confirm", "unit-devices", device=data.device)
    except NotAllowedError:
        with around.store.transaction():
            known = around.store.devices.find(data.device)
        note_refusal(request, around, "confirm", "unit-devices", known.id if known else "")
        raise
    return Confirmed(data.device)
