"""What a tablet asks without its data key: sealed entries taken in, and a lost key given back."""

import asyncio
from typing import Annotated

import msgspec
from litestar import Router, post
from litestar.di import Provide
from litestar.params import JSONBody

from api.routes.surroundings import (
    Around,
    AskingDevice,
    SendingDevice,
    provide_device,
    provide_sender,
)
from api.use_cases.open_sealed import SealedEntry, receive_sealed
from api.use_cases.receive_handshake import refuse_other_device
from api.use_cases.receive_push import PushAnswer
from api.use_cases.recover_key import recover_key

_Base64 = Annotated[str, msgspec.Meta(max_length=512)]


class SealedPush(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A device's own entries as it sealed them, in the order of its log."""

    device: str
    entries: list[SealedEntry]
    signature: Annotated[str, msgspec.Meta(max_length=128)] | None = None


class KeyRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The data key as the device sealed it, and a public key for the way back."""

    device: str
    share: _Base64
    to: _Base64


class GivenKey(msgspec.Struct, frozen=True):
    """The data key, sealed for the key that the request named."""

    sealed: str


@post("/exchange/sealed", status_code=200, opt={"needs": "exchange.push"})
async def post_sealed(
    data: JSONBody[SealedPush], sender: SendingDevice, around: Around
) -> PushAnswer:
    """Take in entries that a locked tablet sends; the answer comes after they are on disk."""
    refuse_other_device(sender, data.device)
    async with around.turns.take(len(data.entries)):
        answer = await asyncio.to_thread(
            receive_sealed,
            around.store,
            sender,
            data.entries,
            now_ms=around.environment.now_ms(),
            signature=data.signature,
        )
    around.bell.ring()
    around.second_check.ring()
    return answer


@post(
    "/devices/recovery",
    status_code=200,
    sync_to_thread=True,
    opt={"needs": "recovery.open", "limit": "export"},
)
def post_recovery(data: JSONBody[KeyRequest], device: AskingDevice, around: Around) -> GivenKey:
    """Give the asking tablet back the data key that it sealed for this unit; it is noted."""
    refuse_other_device(device, data.device)
    sealed = recover_key(
        around.store, device, share=data.share, to=data.to, now_ms=around.environment.now_ms()
    )
    return GivenKey(sealed)


sealed_router = Router(
    "/api",
    route_handlers=[post_sealed, post_recovery],
    dependencies={
        "device": Provide(provide_device, sync_to_thread=True),
        "sender": Provide(provide_sender, sync_to_thread=True),
    },
    tags=["exchange"],
)
