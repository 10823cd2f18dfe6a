"""What routes are given: the store, the surroundings, and the device that asks."""

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from litestar import Request
from litestar.datastructures import State
from litestar.di import NamedDependency, Provide

from api.environment import Environment
from api.routes.device_proof import bearer_token as bearer_token
from api.routes.device_proof import is_of_machine as is_of_machine
from api.routes.device_proof import proved_device, refuse_barred, refuse_waiting
from api.routes.file_watch import FileWatch
from api.routes.follow_up_watch import FollowUpWatch
from api.routes.heads_watch import HeadsWatch
from api.routes.hub_line_watch import HubLineWatch
from api.routes.link_watch import LinkWatch
from api.routes.nonces import Nonces
from api.routes.push_turns import PushTurns
from api.routes.rate_limits import RateLimits
from api.routes.refusal_notes import RefusalNotes
from api.routes.second_check import SecondCheck
from api.routes.shared_nonces import SharedNonces
from api.storage.device_store import Device
from api.storage.unit_store import UnitStore
from api.use_cases.errors import UnknownDeviceError
from api.use_cases.note_reading import ReadingNotes
from api.use_cases.server_log import Chance
from api.use_cases.server_role import is_hub
from api.use_cases.unit_day import read_unit_zone

# A tablet has one line open, and a broken one or two that the server has not missed yet.
MOST_LINES = 4


class HeadsBell:
    """Wakes everybody who waits for more, and sends them home when the server stops.

    Belongs to one event loop; call it from there.
    """

    def __init__(self) -> None:
        self._waiting: dict[asyncio.Event, str] = {}
        self.is_closed = False

    @contextmanager
    def listen(self, device: str) -> Iterator[asyncio.Event]:
        """Yield an event that is set at each ring; of one device the oldest line gives way."""
        own = [rung for rung, listener in self._waiting.items() if listener == device]
        for oldest in own[: max(0, len(own) + 1 - MOST_LINES)]:
            del self._waiting[oldest]
            oldest.set()
        rung = asyncio.Event()
        self._waiting[rung] = device
        try:
            yield rung
        finally:
            self._waiting.pop(rung, None)

    def is_open(self, rung: asyncio.Event) -> bool:
        """Say whether somebody is still to be told: no once closed, or given way."""
        return not self.is_closed and rung in self._waiting

    def ring(self) -> None:
        """Wake everybody."""
        for rung in self._waiting:
            rung.set()

    def close(self) -> None:
        """Wake everybody for the last time."""
        self.is_closed = True
        self.ring()


@dataclass(frozen=True)
class Surroundings:
    """Everything a route may use. ``local_key`` opens the way for commands on this machine.

    ``is_behind_proxy`` says that a proxy on this machine passes requests on; ``served_build`` is
    the build of the app that is handed out, "" where there is none; ``heads_to`` is the folder
    outside into which the heads of each day go.
    """

    store: UnitStore
    environment: Environment
    build: str
    local_key: str
    is_behind_proxy: bool = False
    served_build: str = ""
    heads_to: Path | None = None
    bell: HeadsBell = field(default_factory=HeadsBell)
    turns: PushTurns = field(default_factory=PushTurns)
    nonces: Nonces = field(init=False)
    limits: RateLimits = field(init=False)
    refusals: RefusalNotes = field(init=False)
    reads: ReadingNotes = field(init=False)
    second_check: SecondCheck = field(init=False)
    follow_up_watch: FollowUpWatch = field(init=False)
    file_watch: FileWatch = field(init=False)
    hub_line: HubLineWatch = field(init=False)
    link_watch: LinkWatch = field(init=False)
    heads_watch: HeadsWatch = field(init=False)

    def __post_init__(self) -> None:
        is_shared = self.store.is_shared
        nonces = (
            SharedNonces(self.store, self.environment) if is_shared else Nonces(self.environment)
        )
        object.__setattr__(self, "nonces", nonces)
        object.__setattr__(self, "limits", RateLimits(self.environment.monotonic_ms))
        object.__setattr__(self, "refusals", RefusalNotes(self.store, self.environment))
        object.__setattr__(self, "reads", ReadingNotes(self.store))
        object.__setattr__(self, "second_check", SecondCheck(self.store, self.turns))
        object.__setattr__(self, "follow_up_watch", FollowUpWatch(self.store, self.environment))
        object.__setattr__(self, "file_watch", FileWatch(self.store, self.environment))
        line = HubLineWatch(self.store, self.environment, self.build)
        object.__setattr__(self, "hub_line", line)
        object.__setattr__(self, "link_watch", LinkWatch(self.store, self.environment))
        heads = HeadsWatch(self.store, self.environment, self.heads_to)
        object.__setattr__(self, "heads_watch", heads)

    @property
    def is_hub(self) -> bool:
        """Say whether this server is a network's hub and no unit."""
        return is_hub(self.store)

    def draw_chance(self) -> Chance:
        """Return the time, a salt and ids for one act of the server."""
        return self.environment.draw_chance()

    def today(self) -> str:
        """Return today's civil date where the unit is, ``YYYY-MM-DD``."""
        environment = self.environment
        return environment.today(read_unit_zone(self.store, otherwise=environment.time_zone))


Around = NamedDependency[Surroundings]
AskingDevice = NamedDependency[Device]
# None where a command on the server asks, which holds the key of the data folder.
DeviceOrCommand = NamedDependency[Device | None]
# A device that sends; one that was revoked may still hand over what it holds (EX12).
SendingDevice = NamedDependency[Device]


def provide_surroundings(state: State) -> Surroundings:
    """Return what `app.create_app` put into the application."""
    surroundings: Surroundings = state.surroundings
    return surroundings


def provide_device(request: Request[Any, Any, Any], around: Around) -> Device:
    """Return the device that asks, which the guard has found (`access_guard.py`).

    Raises
    ------
    UnknownDeviceError
        None has proved itself.
    NotAllowedError
        The device was revoked, or waits until its key is confirmed.
    """
    device = _proved(request)
    refuse_barred(device, around.store)
    return device


def provide_device_or_command(request: Request[Any, Any, Any], around: Around) -> Device | None:
    """Return the device that asks, None for a command on the server itself.

    Raises
    ------
    UnknownDeviceError, NotAllowedError
        As `provide_device`.
    """
    return None if is_of_machine(request) else provide_device(request, around)


# What a route names as its dependencies where a device asks, or a command on the server as well.
BY_A_DEVICE = {"device": Provide(provide_device, sync_to_thread=True)}
BY_A_DEVICE_OR_COMMAND = {"device": Provide(provide_device_or_command, sync_to_thread=True)}


def provide_sender(request: Request[Any, Any, Any]) -> Device:
    """Return the device that hands something over, also one that was revoked.

    Raises
    ------
    UnknownDeviceError, NotAllowedError
        As `provide_device`.
    """
    device = _proved(request)
    refuse_waiting(device)
    return device


def _proved(request: Request[Any, Any, Any]) -> Device:
    device = proved_device(request)
    if device is None:
        raise UnknownDeviceError("This device is not known here. Join it again by an invitation.")
    return device
