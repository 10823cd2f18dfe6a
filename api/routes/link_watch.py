"""At the hub: takes in what arrived for links every so often, and proposes what was found."""

import logging

from api.environment import Environment
from api.routes.rounds import Rounds
from api.storage.unit_store import UnitStore
from api.use_cases.link_patients import LinkRound, tend_links

_LOG = logging.getLogger("crura")
LOOK_EVERY_SECONDS = 15.0


class LinkWatch:
    """Tends links in rounds. Belongs to one event loop.

    A round that breaks is told in the server's log without what records hold (SEC-20), and is tried
    again at the next one: what it had taken comes back.
    """

    def __init__(
        self,
        store: UnitStore,
        environment: Environment,
        *,
        look_every_seconds: float = LOOK_EVERY_SECONDS,
    ) -> None:
        self._store = store
        self._environment = environment
        self.rounds = Rounds(self._look, every_seconds=look_every_seconds)

    def tend_now(self) -> LinkRound:
        """Do one round now."""
        return tend_links(
            self._store,
            now_ms=self._environment.now_ms(),
            draw_chance=self._environment.draw_chance,
        )

    def _look(self) -> None:
        try:
            self.tend_now()
        except Exception as error:  # noqa: BLE001  nobody waits for an answer; it is tried again
            _LOG.error("%s in the search for links", type(error).__name__)
