"""Devices over HTTP: another name, a data key refused to who asks for it, and revocation."""

import asyncio
from typing import Annotated, Any

import msgspec
from litestar import Request, post
from litestar.params import JSONBody

from api.routes.access_events import note_asker
from api.routes.surroundings import Around, Surroundings
from api.use_cases.name_device import rename_device
from api.use_cases.recover_key import refuse_recovery
from api.use_cases.revoke_device import revoke_device
from sync.operation_log import Tip

_DeviceId = Annotated[str, msgspec.Meta(max_length=64)]


class Renaming(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which device, and the name by which people know it from now on."""

    device: _DeviceId
    name: Annotated[str, msgspec.Meta(max_length=200)]


class Renamed(msgspec.Struct, frozen=True):
    """The device with its name as it is kept."""

    device: str
    name: str


@post(
    "/api/device-names",
    tags=["unit desk"],
    sync_to_thread=True,
    opt={"needs": "unit-devices.rename"},
)
def post_device_name(
    request: Request[Any, Any, Any], data: JSONBody[Renaming], around: Around
) -> Renamed:
    """Give a device another name; it learns so with the next that it tells of itself."""
    now_ms = around.environment.now_ms()
    with around.store.transaction():
        name = rename_device(around.store, data.device, data.name, now_ms=now_ms)
        note_asker(request, around, "rename", "unit-devices", device=data.device)
    return Renamed(data.device, name)


class RecoveryRefusal(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The device that waits for its data key and is not given it."""

    device: _DeviceId


class RecoveryRefused(msgspec.Struct, frozen=True):
    """The device that was refused its key."""

    device: str


@post(
    "/api/recovery-refusals",
    tags=["unit desk"],
    sync_to_thread=True,
    opt={"needs": "unit-devices.refuse-key"},
)
def post_recovery_refusal(
    request: Request[Any, Any, Any], data: JSONBody[RecoveryRefusal], around: Around
) -> RecoveryRefused:
    """Refuse a device its data key; its records stay closed and it may ask by a new invitation."""
    now_ms = around.environment.now_ms()
    with around.store.transaction():
        refuse_recovery(around.store, data.device, now_ms=now_ms)
        note_asker(request, around, "refuse-key", "unit-devices", device=data.device)
    return RecoveryRefused(data.device)


class RevocationRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which device to refuse from now on; one that is lost also clears itself."""

    device: _DeviceId
    is_lost: bool = False


class Revoked(msgspec.Struct, frozen=True):
    """Where the logs of the revoked device end."""

    ends: tuple[Tip, ...]


@post(
    "/api/revocations",
    tags=["unit desk"],
    opt={"needs": "unit-devices.revoke"},
)
async def post_revocation(
    request: Request[Any, Any, Any], data: JSONBody[RevocationRequest], around: Around
) -> Revoked:
    """Refuse a device from now on; what it sends is kept aside."""
    ends = await asyncio.to_thread(_revoke, request, data, around)
    # Whoever listens is sent home and told at the next question.
    around.bell.ring()
    return Revoked(ends)


def _revoke(
    request: Request[Any, Any, Any], data: RevocationRequest, around: Surroundings
) -> tuple[Tip, ...]:
    now_ms = around.environment.now_ms()
    with around.store.transaction():
        ends = revoke_device(around.store, data.device, now_ms=now_ms, is_lost=data.is_lost)
        note_asker(request, around, "revoke", "unit-devices", device=data.device)
    return ends
