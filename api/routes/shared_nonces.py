"""Nonces of a hub of several processes: drawn by any of them, good once with all of them."""

import asyncio
from itertools import count

from api.environment import Environment
from api.routes.nonces import (
    LASTS_MS,
    MAX_USED_BY_DEVICE,
    MAX_USED_BY_JOININGS,
    Nonces,
    NonceVerdict,
)
from api.storage.unit_store import UnitStore

# The clocks of two processes may be apart by as much as a nonce lasts: one that a slow clock still
# takes is not forgotten by a fast one.
_REMEMBERED_MS = 3 * LASTS_MS
_USES_A_SWEEP = 500


class SharedNonces(Nonces):
    """Sealed under a key of the hub's own, remembered in its database.

    The time in a nonce is the wall clock of the process that drew it; a nonce that lies further
    ahead than one lasts is over, too.
    """

    def __init__(self, store: UnitStore, environment: Environment) -> None:
        super().__init__(environment)
        self._key = store.server_key.derive_key("crura-hub-nonces")
        self._shared = store.used_nonces
        self._uses = count()

    async def take_in_turn(self, nonce: str, device: str | None) -> NonceVerdict:
        """Do what `take` does, and keep the event loop from waiting for the database."""
        return await asyncio.to_thread(self.take, nonce, device)

    def _use(self, nonce: str, device: str | None, now_ms: int) -> NonceVerdict:
        if (drawn_ms := self._read(nonce)) is None or drawn_ms - now_ms >= LASTS_MS:
            return NonceVerdict.OVER
        most = MAX_USED_BY_JOININGS if device is None else MAX_USED_BY_DEVICE
        is_too_many = self._shared.count(device, used_from_ms=now_ms - LASTS_MS) >= most
        if is_too_many or next(self._uses) % _USES_A_SWEEP == 0:
            self._shared.forget(used_before_ms=now_ms - _REMEMBERED_MS)
        if is_too_many:
            return NonceVerdict.TOO_MANY
        if not self._shared.use(nonce, device, now_ms=now_ms):
            return NonceVerdict.USED
        return NonceVerdict.GOOD

    def _now_ms(self) -> int:
        return self._environment.now_ms()
