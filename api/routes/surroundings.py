"""What routes are given: the store, the surroundings, and the device that asks."""

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from litestar import Request
from litestar.datastructures import State
from litestar.di import NamedDependency

from api.environment import Environment
from api.routes.follow_up_watch import FollowUpWatch
from api.routes.push_turns import PushTurns
from api.routes.second_check import SecondCheck
from api.storage.device_store import Device
from api.storage.unit_store import UnitStore
from api.use_cases.errors import NotAllowedError, UnknownDeviceError
from api.use_cases.unit_day import read_unit_zone

WINDOW_MS = 60_000
MAX_WRONG_CODES = 10


class HeadsBell:
    """Wakes everybody who waits for more, and sends them home when the server stops.

    Belongs to one event loop; call it from there.
    """

    def __init__(self) -> None:
        self._waiting: set[asyncio.Event] = set()
        self.is_closed = False

    @contextmanager
    def listen(self) -> Iterator[asyncio.Event]:
        """Yield an event that is set at each ring."""
        rung = asyncio.Event()
        self._waiting.add(rung)
        try:
            yield rung
        finally:
            self._waiting.discard(rung)

    def ring(self) -> None:
        """Wake everybody."""
        for rung in self._waiting:
            rung.set()

    def close(self) -> None:
        """Wake everybody for the last time."""
        self.is_closed = True
        self.ring()


class WrongCodes:
    """Counts wrong invitation codes, so that nobody can try many (SEC-06)."""

    def __init__(self) -> None:
        self._at_ms: list[int] = []

    def note(self, now_ms: int) -> None:
        """Count one."""
        self._at_ms = [at for at in self._at_ms if at > now_ms - WINDOW_MS] + [now_ms]

    def are_too_many(self, now_ms: int) -> bool:
        """Say whether the last minute saw as many as are allowed."""
        return sum(at > now_ms - WINDOW_MS for at in self._at_ms) >= MAX_WRONG_CODES


@dataclass(frozen=True)
class Surroundings:
    """Everything a route may use. ``local_key`` opens the way for commands on this machine."""

    store: UnitStore
    environment: Environment
    build: str
    local_key: str
    bell: HeadsBell = field(default_factory=HeadsBell)
    wrong_codes: WrongCodes = field(default_factory=WrongCodes)
    turns: PushTurns = field(default_factory=PushTurns)
    second_check: SecondCheck = field(init=False)
    follow_up_watch: FollowUpWatch = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "second_check", SecondCheck(self.store, self.turns))
        object.__setattr__(self, "follow_up_watch", FollowUpWatch(self.store, self.environment))

    def today(self) -> str:
        """Return today's civil date where the unit is, ``YYYY-MM-DD``."""
        environment = self.environment
        return environment.today(read_unit_zone(self.store, otherwise=environment.time_zone))


Around = NamedDependency[Surroundings]
AskingDevice = NamedDependency[Device]
# A device that sends; one that was revoked may still hand over what it holds (EX12).
SendingDevice = NamedDependency[Device]


def provide_surroundings(state: State) -> Surroundings:
    """Return what `app.create_app` put into the application."""
    surroundings: Surroundings = state.surroundings
    return surroundings


def bearer_token(request: Request[Any, Any, Any]) -> str | None:
    """Return the token of a request, None when it carries none."""
    scheme, _, token = request.headers.get("authorization", "").partition(" ")
    return token.strip() if scheme.lower() == "bearer" and token.strip() else None


def provide_device(request: Request[Any, Any, Any], around: Around) -> Device:
    """Return the device that asks.

    Raises
    ------
    UnknownDeviceError
        No token, or none that is valid here.
    NotAllowedError
        The device was revoked.
    """
    device = provide_sender(request, around)
    if device.revoked_ms is not None:
        raise NotAllowedError(
            "This device was revoked. What it recorded is kept aside for the data manager; use "
            "another device."
        )
    return device


def provide_sender(request: Request[Any, Any, Any], around: Around) -> Device:
    """Return the device that hands something over, also one that was revoked.

    Raises
    ------
    UnknownDeviceError
        No token, or none that is valid here.
    """
    token = bearer_token(request)
    if token is not None:
        with around.store.transaction():
            device = around.store.devices.find_by_token(token)
        if device is not None:
            return device
    raise UnknownDeviceError("This device is not known here. Join it again by an invitation.")
