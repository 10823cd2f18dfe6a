"""A unit's line to the hub of its network: joining, how it stands, rounds, and leaving."""

from collections.abc import Callable
from typing import Literal
from urllib.parse import urlsplit

import httpx
import msgspec

from api.storage.hub_line_store import HubLine
from api.storage.hub_requests import HubRequests, NoAnswerError
from api.storage.p256 import write_base64
from api.storage.unit_store import UnitStore
from api.use_cases.errors import NotAllowedError
from api.use_cases.join_device import unit_name
from api.use_cases.registry_log import (
    begin_anew,
    begin_epoch,
    present_epoch,
    registry_device,
    registry_key,
)
from api.use_cases.server_log import Chance
from api.use_cases.server_role import is_hub
from sync.clock import read_stamp
from sync.request_signing import write_fingerprint

_LOOPBACK = frozenset({"127.0.0.1", "localhost", "::1"})
_LONGEST_NAME = 60
_MARK = "join="
# Keeps by its key which hub was told what stands in the registry log, also after it was left.
_TOLD_FACT = "hub that was told"
Transport = Callable[[], httpx.BaseTransport | None]


class HubLineError(NotAllowedError):
    """The hub cannot be joined or asked as wanted; the text says what to do next."""


class LineStanding(msgspec.Struct, frozen=True, kw_only=True):
    """How the line stands; times are wall milliseconds of the unit's server.

    Parameters
    ----------
    unit_name : the name under which the hub knows this unit.
    digits : six digits of this unit's key, as the hub shows them too; "" without a hub.
    unsent : own operations that the hub does not hold yet.
    set_aside : sentences of the hub about own operations that it has set aside, at most ten.
    sentence : why the last try failed, or what a person has to know; "" when all is well.
    """

    standing: Literal["none", "waiting", "joined", "refused"]
    hub: str = ""
    hub_name: str = ""
    unit: str = ""
    unit_name: str = ""
    digits: str = ""
    last_contact_ms: int | None = None
    last_try_ms: int | None = None
    next_try_ms: int | None = None
    unsent: int = 0
    refused: int = 0
    set_aside: tuple[str, ...] = ()
    sentence: str = ""


class _Membership(msgspec.Struct, frozen=True):
    token: str
    role: str
    unit_name: str
    server_key: str
    is_waiting: bool
    fingerprint: str


def read_link(link: str) -> tuple[str, str]:
    """Return address and code of an invitation's link.

    Raises
    ------
    HubLineError
        It is no such link, or it would send in clear what must not be read on its way.
    """
    address, _, fragment = link.strip().partition("#")
    code = fragment.removeprefix(_MARK)
    parts = urlsplit(address)
    try:
        is_address = parts.scheme in ("http", "https") and bool(parts.hostname) and parts.port != 0
    except ValueError:
        is_address = False
    if not is_address or parts.username or not fragment.startswith(_MARK) or not code:
        raise HubLineError(
            "This is no link to join a hub by. Take the one that `crura device invite --role unit` "
            "printed at the hub: https://...#join=CODE."
        )
    if parts.scheme != "https" and parts.hostname not in _LOOPBACK:
        raise HubLineError(
            f"Joining {parts.hostname} without HTTPS would send what this unit tells its network "
            "in clear. Take the hub's https:// address."
        )
    return f"{parts.scheme}://{parts.netloc}", code


def join_hub(
    store: UnitStore,
    link: str,
    *,
    draw_chance: Callable[[], Chance],
    open_transport: Transport = lambda: None,
) -> LineStanding:
    """Join the hub of a link; it then waits until a person there has compared the six digits.

    Raises
    ------
    HubLineError
        The store is a hub's, another hub was joined, no answer came, or the hub refused.

    Notes
    -----
    Rules RQ5, RQ6, RQ7, RG21.
    """
    address, code = read_link(link)
    chance = draw_chance()
    with store.transaction():
        if is_hub(store):
            raise HubLineError("This server is a hub itself. Join from a unit's server.")
        before = store.hub_line.find()
        if before is not None and before.address != address:
            raise HubLineError(
                f"This unit has joined {before.address}. Leave it first: `crura hub leave`."
            )
        device, key = registry_device(store), registry_key(store)
        digits = write_fingerprint(key.key_id)
        epoch = present_epoch(store, new_epoch=chance.new_epoch)
        if before is not None and before.fingerprint != digits:
            # The key was lost: what it has signed is not signed on by another (SG5).
            epoch = begin_epoch(store, new_epoch=chance.new_epoch)
        name = unit_name(store)[:_LONGEST_NAME]
    asked = {
        "code": code,
        "device": device,
        "name": name,
        "key": write_base64(key.public_key),
        "epoch": epoch,
    }
    token = before.token if before is not None else ""
    transport = open_transport()
    with HubRequests(address, device, key, token=token, transport=transport) as requests:
        try:
            answer = requests.post("/api/devices", asked)
        except NoAnswerError as error:
            raise HubLineError(f"{error} See that {address} can be reached from here.") from error
    if not answer.is_good:
        raise HubLineError(answer.sentence)
    try:
        joined = msgspec.convert(answer.content, _Membership)
    except msgspec.ValidationError as error:
        raise HubLineError(f"What answers at {address} is no hub. See its address.") from error
    line = HubLine(
        address=address,
        device=device,
        token=joined.token,
        hub_name=joined.unit_name,
        hub_key=joined.server_key,
        fingerprint=digits,
        joined_ms=chance.now_ms,
        is_waiting=joined.is_waiting,
    )
    if before is not None and before.hub_key == joined.server_key:
        line = msgspec.structs.replace(
            before,
            token=joined.token,
            hub_name=joined.unit_name,
            fingerprint=digits,
            is_waiting=joined.is_waiting,
            failures=0,
            outcome="",
            sentence="",
        )
    with store.transaction():
        if store.fact(_TOLD_FACT) != joined.server_key:
            store.hub_line.forget()
            begin_anew(store, new_epoch=draw_chance().new_epoch)
            store.keep_fact(_TOLD_FACT, joined.server_key)
        store.hub_line.keep(msgspec.structs.replace(line, next_try_ms=None))
    return tell_line(store)


def leave_hub(store: UnitStore) -> None:
    """Send nothing to the hub any more; what it holds stays there, and what it wrote stays here.

    Raises
    ------
    HubLineError
        No hub was joined.
    """
    with store.transaction():
        if store.hub_line.find() is None:
            raise HubLineError("This unit has joined no hub. There is nothing to leave.")
        store.hub_line.forget()


def tell_line(store: UnitStore) -> LineStanding:
    """Return how the line to the hub stands."""
    with store.transaction():
        line = store.hub_line.find()
        if line is None:
            return LineStanding(standing="none", unit_name=unit_name(store))
        refused = store.hub_line.refused()
        return LineStanding(
            standing=_standing_of(line),
            hub=line.address,
            hub_name=line.hub_name,
            unit=line.device,
            unit_name=unit_name(store)[:_LONGEST_NAME],
            digits=line.fingerprint,
            last_contact_ms=line.last_contact_ms,
            last_try_ms=line.last_try_ms,
            next_try_ms=line.next_try_ms,
            unsent=count_unsent(store),
            refused=len(refused),
            set_aside=tuple(sentence for _, sentence in refused[:10]),
            sentence=line.sentence,
        )


def count_unsent(store: UnitStore) -> int:
    """Return how many own operations the hub does not hold; inside a transaction."""
    held = store.hub_line.held()
    counters = store.operations.counters_of(registry_device(store))
    return sum(max(0, counter - held.get(epoch, 0)) for epoch, counter in counters.items())


def find_oldest_unsent_ms(store: UnitStore) -> int | None:
    """Return when the oldest of them was written; None where the hub holds all."""
    held, device = store.hub_line.held(), registry_device(store)
    firsts = (
        read_stamp(entry.operation.stamp)
        for epoch in store.operations.counters_of(device)
        for entry in store.registry.of_log_from(
            device, epoch, first=held.get(epoch, 0) + 1, limit=1
        )
    )
    return min((stamp.wall_ms for stamp in firsts if stamp is not None), default=None)


def _standing_of(line: HubLine) -> Literal["waiting", "joined", "refused"]:
    if line.is_waiting:
        return "waiting"
    return "refused" if line.outcome == "refused" else "joined"
