"""Nonces under which devices sign requests: drawn here, each good once and for ten minutes.

A nonce carries its own time, sealed by a key that lives as long as this process; only those that
were used under a valid signature are remembered. So asking for many takes no memory, the clocks of
devices play no part, and after a restart every device asks again.
"""

import base64
import hashlib
import hmac
from collections import Counter
from enum import StrEnum
from threading import Lock

from api.environment import Environment

LASTS_MS = 600_000
# Over ten minutes, above what the rate limit lets through: whoever reaches it waits.
MAX_USED_BY_DEVICE = 20_000
# Anybody can sign a joining, under any name: all of them together share this.
MAX_USED_BY_JOININGS = 1_000
_KEY_BYTES = 32
_TIME_BYTES, _RANDOM_BYTES, _SEAL_BYTES = 6, 10, 16


class NonceVerdict(StrEnum):
    """What became of a nonce that a signature bears."""

    GOOD = "good"
    NOT_OURS = "not_ours"
    OVER = "over"
    USED = "used"
    TOO_MANY = "too_many"


class Nonces:
    """Draws nonces and takes each once. Any thread may call it."""

    def __init__(self, environment: Environment) -> None:
        self._environment = environment
        self._key = environment.draw_bytes(_KEY_BYTES)
        # In the order of use: nonce, when it was used, and by which device; None is a joining.
        self._used: dict[str, tuple[int, str | None]] = {}
        self._counts: Counter[str | None] = Counter()
        self._lock = Lock()

    def draw(self) -> str:
        """Return a fresh nonce, URL-safe text."""
        drawn = self._now_ms().to_bytes(_TIME_BYTES) + self._environment.draw_bytes(_RANDOM_BYTES)
        return base64.urlsafe_b64encode(drawn + self._seal(drawn)).decode().rstrip("=")

    def take(self, nonce: str, device: str | None) -> NonceVerdict:
        """Use a nonce up under a signature that was found valid.

        Parameters
        ----------
        device : str or None
            Who has proved to be asking; None for a joining, which proves nothing but its own key.
        """
        drawn_ms = self._read(nonce)
        if drawn_ms is None:
            return NonceVerdict.NOT_OURS
        now_ms = self._now_ms()
        if now_ms - drawn_ms >= LASTS_MS:
            return NonceVerdict.OVER
        return self._use(nonce, device, now_ms)

    async def take_in_turn(self, nonce: str, device: str | None) -> NonceVerdict:
        """Do what `take` does, from an event loop."""
        return self.take(nonce, device)

    def _use(self, nonce: str, device: str | None, now_ms: int) -> NonceVerdict:
        with self._lock:
            self._forget(now_ms)
            if nonce in self._used:
                return NonceVerdict.USED
            most = MAX_USED_BY_JOININGS if device is None else MAX_USED_BY_DEVICE
            if self._counts[device] >= most:
                return NonceVerdict.TOO_MANY
            self._used[nonce] = now_ms, device
            self._counts[device] += 1
            return NonceVerdict.GOOD

    def _read(self, nonce: str) -> int | None:
        """Return when a nonce of this process was drawn, None for any other text."""
        try:
            content = base64.b64decode(
                nonce + "=" * (-len(nonce) % 4), altchars=b"-_", validate=True
            )
        except ValueError:
            return None
        drawn, seal = content[:-_SEAL_BYTES], content[-_SEAL_BYTES:]
        if len(drawn) != _TIME_BYTES + _RANDOM_BYTES or not hmac.compare_digest(
            seal, self._seal(drawn)
        ):
            return None
        # 32 bytes end inside a letter: another letter there would be a second text of one nonce.
        if base64.urlsafe_b64encode(content).decode().rstrip("=") != nonce:
            return None
        return int.from_bytes(drawn[:_TIME_BYTES])

    def _now_ms(self) -> int:
        return self._environment.monotonic_ms()

    def _seal(self, drawn: bytes) -> bytes:
        return hmac.digest(self._key, drawn, hashlib.sha256)[:_SEAL_BYTES]

    def _forget(self, now_ms: int) -> None:
        """Drop those used so long ago that they are over: their time refuses them from then on."""
        while self._used:
            nonce, (used_ms, device) = next(iter(self._used.items()))
            if now_ms - used_ms < LASTS_MS:
                return
            del self._used[nonce]
            self._counts[device] -= 1
            if not self._counts[device]:
                del self._counts[device]
