"""At a unit: which device of whom a recall touched when it was answered, so that a swap is seen.

Counts stay as they were where another patient takes the place of the one who was called. So a unit
keeps what it answered on, as digests, with its own facts: they never leave it (SEC-24).
"""

import hashlib
from collections import Counter
from collections.abc import Iterable, Mapping

import msgspec

from api.storage.unit_store import UnitStore
from api.use_cases.find_lots import RETURNED
from api.use_cases.implant_owners import FoundImplant
from api.use_cases.recalls import OnShelf

# Each device of each patient, and each lot on the shelf, by digest: how many of it there are.
Digests = Mapping[str, int]

_FACT = "recall answered on"
_DIGITS = 20


def digest_touched(rows: Iterable[FoundImplant], shelf: Iterable[OnShelf]) -> Digests:
    """Return what a notice touches, each by a digest; what was returned unused touches nobody."""
    found: Counter[str] = Counter()
    for one in rows:
        if one.fate != RETURNED:
            found[_digest(one.group, one.record, one.case, one.patient)] += 1
    for lot in shelf:
        found[_digest(lot.group, lot.stock, lot.lot, "on the shelf")] += max(lot.count, 0)
    return found


def name_touched(touched: Digests) -> str:
    """Return one digest of all that a notice touches: two are the same where nothing changed."""
    return _digest(*(f"{one} {count}" for one, count in sorted(touched.items()) if count))


def keep_touched(store: UnitStore, notice: str, touched: Digests) -> None:
    """Keep what a notice touches as it is answered; inside a transaction."""
    content = msgspec.json.encode(dict(sorted(touched.items()))).decode()
    store.keep_fact(f"{_FACT} {notice}", content)


def is_more_touched(store: UnitStore, notice: str, touched: Digests) -> bool:
    """Say whether a notice touches anything that was not there when it was answered.

    Inside a transaction. Where nothing was kept, as in a unit that was put back or by a release
    that kept nothing, nobody knows what was answered on: whatever is touched is new.
    """
    kept = store.fact(f"{_FACT} {notice}")
    before = msgspec.json.decode(kept, type=dict[str, int]) if kept is not None else {}
    return any(count > before.get(one, 0) for one, count in touched.items())


def _digest(*parts: str) -> str:
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:_DIGITS]
