"""Packages without a known lot that have expired or are recalled by their own label."""

from collections.abc import Mapping, Sequence
from typing import Any

from api.clinical_rules.civil_date import days_between
from api.clinical_rules.lot_names import LookAlikes
from api.clinical_rules.stock_recalls import has_lot, is_recalled

# Why nobody takes a package from the shelf for a patient.
UNUSABLE = ("recalled", "expired")

Read = Mapping[str, Any]


def count_without_lot(
    item: Read,
    came: Sequence[Read],
    gone: Sequence[Read],
    recalls: Sequence[Read],
    without_lot: int,
    today_on: str,
    look_alikes: LookAlikes,
) -> dict[str, int]:
    """Return packages without a lot that nobody takes, by why; never more than lie there (SK20)."""
    counts = dict.fromkeys(UNUSABLE, 0)
    for one, change in [*((one, one["change"]) for one in came), *((one, -1) for one in gone)]:
        if has_lot(one):
            continue
        identifiers = [*item.get("identifiers", []), one.get("identifier", "")]
        day = one.get("expires_on")
        if any(is_recalled(recall, identifiers, "", day, look_alikes) for recall in recalls):
            counts["recalled"] += change
        elif day is not None and days_between(today_on, day) < 0:
            counts["expired"] += change
    left = max(0, without_lot)
    for kind in UNUSABLE:
        counts[kind] = min(max(0, counts[kind]), left)
        left -= counts[kind]
    return counts
