"""The exchange over HTTP: handshake, push, pull, and word that there is more."""

import asyncio
from collections.abc import AsyncIterator, Sequence
from typing import Annotated

import msgspec
from litestar import Router, get, post
from litestar.di import Provide
from litestar.params import FromQuery, JSONBody, QueryParameter
from litestar.response import Stream

from api.routes.bounded_body import MAX_INFLATED_BYTES
from api.routes.surroundings import (
    Around,
    AskingDevice,
    SendingDevice,
    Surroundings,
    provide_device,
    provide_sender,
)
from api.storage.device_store import Device
from api.use_cases.answer_pull import Page, RowPage, answer_pull
from api.use_cases.answer_registry import heads_for
from api.use_cases.page_heads import WantedHeads
from api.use_cases.read_batch import Sent, read_batch
from api.use_cases.receive_handshake import receive_handshake, refuse_other_device
from api.use_cases.receive_push import PushAnswer, receive_push
from api.use_cases.receive_resupply import ResupplyAnswer, receive_resupply
from sync.exchange import MAX_BATCH_COUNT, Handshake, HandshakeAnswer
from sync.signing import BroughtHead
from sync.wire import Row

QUIET_SECONDS = 15.0


class Batch(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Operations as (envelope, body), or in rows with their digest (EX16-EX18)."""

    device: str
    operations: list[tuple[str, str]] = []
    rows: list[Row] = []
    digest: Annotated[str, msgspec.Meta(max_length=64)] = ""

    def read(self) -> Sequence[Sent]:
        """Return what was sent; see `read_batch`."""
        return read_batch(self.device, self.operations, self.rows, self.digest)


class Push(Batch, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A device's own operations, in the order of its log."""

    signature: Annotated[str, msgspec.Meta(max_length=128)] | None = None


class Resupply(Batch, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Operations of other devices, heads they signed, and logs of which to say how far they go."""

    logs: list[tuple[str, str]] = []
    heads: list[BroughtHead] = []


@post("/handshake", status_code=200, sync_to_thread=True, opt={"needs": "exchange.handshake"})
def post_handshake(
    data: JSONBody[Handshake], sender: SendingDevice, around: Around
) -> HandshakeAnswer:
    """State where the device's log ends here, and how far each of its streams goes."""
    return receive_handshake(around.store, sender, data, now_ms=around.environment.now_ms())


@post(
    "/push",
    status_code=200,
    request_max_body_size=MAX_INFLATED_BYTES,
    opt={"needs": "exchange.push"},
)
async def post_push(data: JSONBody[Push], sender: SendingDevice, around: Around) -> PushAnswer:
    """Take in operations; the answer comes after they are on disk. Gzip is welcome.

    Plans among them are checked later; no answer waits for it.
    """
    refuse_other_device(sender, data.device)
    async with around.turns.take(len(data.operations) or len(data.rows)):
        answer = await asyncio.to_thread(
            receive_push,
            around.store,
            sender,
            await asyncio.to_thread(data.read),
            now_ms=around.environment.now_ms(),
            signature=data.signature,
        )
    around.bell.ring()
    around.second_check.ring()
    return answer


@post(
    "/resupply",
    status_code=200,
    request_max_body_size=MAX_INFLATED_BYTES,
    opt={"needs": "exchange.resupply"},
)
async def post_resupply(
    data: JSONBody[Resupply], sender: SendingDevice, around: Around
) -> ResupplyAnswer:
    """Take in what other devices wrote, for a store that was put back to an older copy."""
    refuse_other_device(sender, data.device)
    async with around.turns.take(len(data.operations) or len(data.rows)):
        answer = await asyncio.to_thread(
            receive_resupply,
            around.store,
            sender,
            data.logs,
            await asyncio.to_thread(data.read),
            now_ms=around.environment.now_ms(),
            heads=data.heads,
        )
    around.bell.ring()
    around.second_check.ring()
    return answer


@get("/pull", sync_to_thread=True, opt={"needs": "exchange.pull"})
def get_pull(
    device: AskingDevice,
    around: Around,
    stream: Annotated[str, QueryParameter(max_length=24)],
    after: Annotated[int, QueryParameter(ge=0, le=2**53 - 1)] = 0,
    limit: Annotated[int, QueryParameter(ge=1, le=MAX_BATCH_COUNT)] = MAX_BATCH_COUNT,
    own: FromQuery[bool] = False,
    record: Annotated[str, QueryParameter(max_length=105)] = "",
    rows: FromQuery[bool] = False,
    heads: FromQuery[WantedHeads] = "",
) -> Page | RowPage:
    """Hand out one page of a stream, or of one case in it, in the order of receipt (AU8)."""
    page = answer_pull(
        around.store,
        device,
        stream,
        after=after,
        limit=limit,
        with_own=own,
        record=record,
        in_rows=rows,
        heads=heads,
    )
    now_ms = around.environment.now_ms()
    if record:
        around.reads.note(device, "record", at_ms=now_ms, record=record, why=stream)
    else:
        around.reads.note_pull(device, stream, after, at_ms=now_ms)
        around.reads.keep_end(device, stream, page.next)
    return page


@get("/events", media_type="text/event-stream", opt={"needs": "exchange.pull"})
async def get_events(device: AskingDevice, around: Around) -> Stream:
    """Say at once, and whenever it changes, how far each stream goes (server-sent events)."""
    return Stream(
        tell_heads(device, around),
        media_type="text/event-stream",
        headers={"x-accel-buffering": "no"},
    )


async def tell_heads(
    device: Device, around: Surroundings, *, quiet_seconds: float = QUIET_SECONDS
) -> AsyncIterator[bytes]:
    """Yield the heads of the device's streams, and a comment after each quiet stretch.

    Ends when the bell is closed, when the device has opened newer lines, and once it was revoked or
    is another than it was, also in a quiet stretch: it asks again and is told.
    """
    told: dict[str, int] | None = None
    with around.bell.listen(device.id) as rung:
        while around.bell.is_open(rung):
            rung.clear()
            heads = await asyncio.to_thread(_heads, device, around)
            if heads is None:
                return
            if heads != told:
                told = heads
                yield b"data: " + msgspec.json.encode({"heads": heads}) + b"\n\n"
            try:
                await asyncio.wait_for(rung.wait(), quiet_seconds)
            except TimeoutError:
                if await asyncio.to_thread(_is_as_it_was, device, around):
                    yield b": nothing new\n\n"


def _heads(device: Device, around: Surroundings) -> dict[str, int] | None:
    """Return how far each stream goes, None for a device that is another than it was."""
    with around.store.transaction():
        if not _is_as_it_was(device, around):
            return None
        return heads_for(around.store, device)


def _is_as_it_was(device: Device, around: Surroundings) -> bool:
    """Say whether a device was neither revoked nor joined anew, with another role, meanwhile."""
    with around.store.transaction():
        now = around.store.devices.find(device.id)
    return now is not None and (now.role, now.revoked_ms, now.is_waiting) == (
        device.role,
        None,
        False,
    )


exchange_router = Router(
    "/api/exchange",
    route_handlers=[post_handshake, post_push, post_resupply, get_pull, get_events],
    dependencies={
        "device": Provide(provide_device, sync_to_thread=True),
        "sender": Provide(provide_sender, sync_to_thread=True),
    },
    tags=["exchange"],
)
