"""How often a device, an account or an address may ask, held in the memory of the server.

Each bucket holds as many asks as its rate allows in its time and fills evenly, by a clock that
only goes on. Who asks is what was proved, or the source (`asking_source.py`): headers that anybody
can write change nothing. Rule ids: SEC-06.
"""

import math
from collections.abc import Callable
from threading import Lock
from typing import NamedTuple

from api.use_cases.errors import TooManyTriesError

MINUTE_MS = 60_000
HOUR_MS = 3_600_000


class Rate(NamedTuple):
    """So many asks in so many milliseconds."""

    asks: int
    in_ms: int


# Unit settings (project defaults). `device` is far above two a second: a tablet that begins with
# 100,000 operations asks some 200 times within half a minute on a fast line (estimated).
RATES: dict[str, Rate] = {
    "device": Rate(1_200, MINUTE_MS),
    "search": Rate(60, MINUTE_MS),
    "export": Rate(5, HOUR_MS),
    # Joinings that were refused; one that succeeds has used up an invitation and counts nothing.
    "join": Rate(3, MINUTE_MS),
    "join-anywhere": Rate(10, MINUTE_MS),
    # Any joining at all, before its signature is looked at.
    "join-asked": Rate(30, MINUTE_MS),
    "nonce": Rate(300, MINUTE_MS),
    # Of one source, which may be a whole ward behind one address: ten a second without a pause.
    "calculation": Rate(600, MINUTE_MS),
    # Tries for one account from one source, of one source for any account, and for one account
    # from anywhere: the last is reached by many sources together alone.
    "login": Rate(5, MINUTE_MS),
    "login-source": Rate(20, MINUTE_MS),
    "login-account": Rate(60, MINUTE_MS),
    # A password asked for once more of who is logged in.
    "login-own": Rate(5, MINUTE_MS),
}
MOST_BUCKETS = 10_000


class RateLimits:
    """Buckets by kind and by who asks. Any thread may call it."""

    def __init__(self, now_ms: Callable[[], int]) -> None:
        self._now_ms = now_ms
        # For each kind and asker: when the bucket would be full again.
        self._full_at: dict[tuple[str, str], float] = {}
        self._lock = Lock()

    def spend(self, kind: str, asker: str) -> None:
        """Take one ask out of a bucket.

        Raises
        ------
        TooManyTriesError
            The bucket is empty; the error says for how long. Nothing was taken out.
        """
        self._take(kind, asker, spends=True)

    def refuse_if_spent(self, kind: str, asker: str) -> None:
        """Refuse like `spend` and take nothing out: only what goes wrong is counted, later."""
        self._take(kind, asker, spends=False)

    def _take(self, kind: str, asker: str, *, spends: bool) -> None:
        rate = RATES[kind]
        one_ms = rate.in_ms / rate.asks
        now_ms = self._now_ms()
        with self._lock:
            full_at = max(now_ms, self._full_at.get((kind, asker), now_ms))
            wait_ms = full_at + one_ms - now_ms - rate.in_ms
            if wait_ms > 0:
                raise TooManyTriesError(_sentence(wait_ms), retry_after_s=math.ceil(wait_ms / 1e3))
            if spends:
                self._make_room(now_ms)
                self._full_at[kind, asker] = full_at + one_ms

    def _make_room(self, now_ms: int) -> None:
        """Keep the memory bounded: full buckets are none, then the fullest give way."""
        if len(self._full_at) < MOST_BUCKETS:
            return
        by_fullness = sorted(self._full_at.items(), key=lambda bucket: bucket[1])
        kept = [one for one in by_fullness if one[1] > now_ms][-MOST_BUCKETS // 2 :]
        self._full_at = dict(kept)


def _sentence(wait_ms: float) -> str:
    seconds = math.ceil(wait_ms / 1e3)
    minutes = math.ceil(seconds / 60)
    wait = f"{seconds} s" if seconds <= 60 else f"{minutes} minutes"  # noqa: PLR2004
    return f"This was asked too often. Wait {wait}, then try again."
