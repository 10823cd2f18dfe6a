"""Keeps a unit's line to the hub of its network going: a try when one is due, one at a time."""

import logging
from collections.abc import Callable
from threading import Lock

from api.environment import Environment
from api.routes.rounds import Rounds
from api.storage.unit_store import UnitStore
from api.use_cases.hub_line import LineStanding, Transport
from api.use_cases.publish_to_hub import exchange_with_hub, is_try_due
from api.use_cases.unit_day import read_unit_zone

_LOG = logging.getLogger("crura")
# How soon something new is noticed; a try itself comes every few minutes.
LOOK_EVERY_SECONDS = 20.0


class HubLineWatch:
    """Tries by itself, and at once when asked. A unit that joined no hub asks nobody.

    A try that breaks is told in the server's log without what records hold (SEC-20).

    Parameters
    ----------
    open_transport : callable
        Gives how requests travel; None is the network.
    """

    def __init__(
        self,
        store: UnitStore,
        environment: Environment,
        build: str,
        *,
        open_transport: Transport = lambda: None,
        look_every_seconds: float = LOOK_EVERY_SECONDS,
    ) -> None:
        self._store = store
        self._environment = environment
        self._build = build
        self._one_at_a_time = Lock()
        self._is_first = True
        # Tells tablets that there may be more to read; any thread may call it.
        self.ring: Callable[[], None] = lambda: None
        self.open_transport = open_transport
        self.rounds = Rounds(self._look, every_seconds=look_every_seconds)

    def try_now(self) -> LineStanding:
        """Try once and return how the line stands.

        Raises
        ------
        HubLineError
            No hub was joined.
        """
        zone = read_unit_zone(self._store, otherwise=self._environment.time_zone)
        with self._one_at_a_time:
            line = exchange_with_hub(
                self._store,
                build=self._build,
                today=self._environment.today(zone),
                draw_chance=self._environment.draw_chance,
                open_transport=self.open_transport,
            )
        self.ring()
        return line

    def _look(self) -> None:
        try:
            is_first, self._is_first = self._is_first, False
            now_ms = self._environment.now_ms()
            if not is_try_due(self._store, now_ms=now_ms, is_first=is_first):
                return
            line = self.try_now()
        except Exception as error:  # noqa: BLE001  nobody waits for an answer; it is tried again
            _LOG.error("%s in the exchange with the hub", type(error).__name__)
            return
        if line.sentence:
            _LOG.warning("The line to the hub: %s See crura hub status.", line.sentence)
