"""What lies on the shelf: packages that came in less those laid out, used or lost, lot by lot."""

from collections.abc import Mapping, Sequence
from typing import Any

from api.clinical_rules.civil_date import days_between
from api.clinical_rules.lot_names import LookAlikes, read_look_alikes, read_trace_file
from api.clinical_rules.rule_book import RuleBook, name_rule_files
from api.clinical_rules.sizing_limits import LimitRow, Limits
from api.clinical_rules.sizing_request import refuse_doubles
from api.clinical_rules.stock_recalls import has_lot, is_recalled, shelf_form
from api.clinical_rules.stock_request import READ_STOCK
from api.clinical_rules.stock_without_lot import UNUSABLE, count_without_lot

STOCK = "stock/default"
NEAR_EXPIRY = "near_expiry_days"
_BACK_ON_SHELF = "returned"
# Sorts behind every day of the calendar.
_NO_EXPIRY = "~"

Read = Mapping[str, Any]


def count_stock(request: object, rule_book: RuleBook) -> dict[str, Any]:
    """Return what is on the shelf, per item and lot, and what somebody should look at.

    Parameters
    ----------
    request : object
        Parsed JSON with the keys of ``stock-counts`` in RULES.md.
    rule_book : RuleBook
        Holds ``stock/default`` and ``trace/default``.

    Returns
    -------
    dict
        ``items`` in the order given, counts in packages; ``reorder``, ``near_expiry``,
        ``expired``, ``recalled``, ``doubles``, ``unlisted``; ``near_expiry_days`` with its
        ``basis``; ``rule_files``.

    Raises
    ------
    ShapeError
        A key or type is wrong, or an item stands twice.
    RuleFileError
        The rule file lacks a row.

    Notes
    -----
    Rules SK1-SK11, SK20. Pure.
    """
    read = READ_STOCK(request, "")
    file = rule_book.rule_file_or_listed(STOCK, LimitRow)
    near_days = Limits(file)[NEAR_EXPIRY]
    trace = read_trace_file(rule_book)
    look_alikes = read_look_alikes(trace)
    refuse_doubles([one["id"] for one in read["items"]], "items", "id")
    movements, packages = _standing(read["movements"]), _standing(read["packages"])
    taken = [one for one in packages if one["fate"] != _BACK_ON_SHELF]
    items = [
        _count_item(item, movements, taken, read, near_days, look_alikes) for item in read["items"]
    ]
    known = {item["id"] for item in read["items"]}
    row = next(row for row in file.rows if row.item == NEAR_EXPIRY)
    return {
        "items": items,
        "reorder": [one["stock_id"] for one in items if one["reorder"]],
        "near_expiry": _lots_that_are("near-expiry", items),
        "expired": _lots_that_are("expired", items),
        "recalled": _lots_that_are("recalled", items),
        "doubles": _find_doubles(taken),
        "unlisted": sorted({one["id"] for one in packages if one["stock"] not in known}),
        "near_expiry_days": near_days,
        "basis": {NEAR_EXPIRY: {"basis": row.basis, "source": row.source}},
        "rule_files": name_rule_files(file, trace),
    }


def _standing(records: Sequence[Read]) -> list[Read]:
    return [one for one in records if not one.get("struck", False)]


def _count_item(
    item: Read,
    movements: Sequence[Read],
    taken: Sequence[Read],
    read: Read,
    near_days: int,
    look_alikes: LookAlikes,
) -> dict[str, Any]:
    came = [one for one in movements if one["stock"] == item["id"]]
    gone = [one for one in taken if one["stock"] == item["id"]]
    named = {shelf_form(one["lot"]): one["lot"] for one in reversed(came) if has_lot(one)}
    counted = [
        _count_lot(
            lot,
            [one for one in came if has_lot(one) and shelf_form(one["lot"]) == form],
            [one for one in gone if has_lot(one) and shelf_form(one["lot"]) == form],
            read["today_on"],
            near_days,
        )
        for form, lot in named.items()
    ]
    recalls = [one for one in read.get("recalls", []) if _is_of_kind(one, item)]
    for lot in counted:
        identifiers = [*item.get("identifiers", []), *lot.pop("identifiers")]
        named_as = (identifiers, lot["lot"], lot["expires_on"], look_alikes)
        if any(is_recalled(one, *named_as) for one in recalls):
            lot["standing"] = "recalled"
    lots = sorted(counted, key=lambda lot: (lot["expires_on"] or _NO_EXPIRY, lot["lot"]))
    stray = [one for one in gone if not has_lot(one) or shelf_form(one["lot"]) not in named]
    on_shelf = sum(one["change"] for one in came) - len(gone) if came else None
    without_lot = None if on_shelf is None else on_shelf - sum(lot["on_shelf"] for lot in lots)
    bare = count_without_lot(
        item, came, gone, recalls, without_lot or 0, read["today_on"], look_alikes
    )
    lost = sum(lot["on_shelf"] for lot in lots if lot["standing"] in UNUSABLE and _is_there(lot))
    usable = None if on_shelf is None else on_shelf - lost - sum(bare.values())
    below = item.get("reorder_below")
    return {
        "stock_id": item["id"],
        "item": item["item"],
        "on_shelf": on_shelf,
        "usable": usable,
        "without_lot": without_lot,
        "reorder_below": below,
        "reorder": usable is not None and below is not None and usable < below,
        "lots": [_tell_lot(lot) for lot in lots if lot["on_shelf"] != 0],
        "remarks": [
            *_remark(on_shelf, lots, stray),
            *({"kind": kind, "lot": None, "count": bare[kind]} for kind in UNUSABLE if bare[kind]),
        ],
    }


def _is_of_kind(recall: Read, item: Read) -> bool:
    # A recall that names no kind speaks of all.
    return bool(recall.get("item", item["item"]) == item["item"])


def _is_there(lot: Read) -> bool:
    return bool(lot["on_shelf"] > 0)


def _count_lot(
    lot: str, came: Sequence[Read], gone: Sequence[Read], today_on: str, near_days: int
) -> dict[str, Any]:
    days = sorted({one["expires_on"] for one in came if "expires_on" in one})
    expires_on = days[0] if days else None
    days_left = None if expires_on is None else days_between(today_on, expires_on)
    standing = "valid"
    if days_left is None:
        standing = "expiry-unknown"
    elif days_left < 0:
        standing = "expired"
    elif days_left <= near_days:
        standing = "near-expiry"
    return {
        "lot": lot,
        "expires_on": expires_on,
        "on_shelf": sum(one["change"] for one in came) - len(gone),
        "standing": standing,
        "days_left": days_left,
        "identifiers": [one["identifier"] for one in came if "identifier" in one],
        "has_two_expiries": len(days) > 1,
    }


def _tell_lot(lot: Read) -> dict[str, Any]:
    keys = ("lot", "expires_on", "on_shelf", "standing", "days_left")
    return {key: lot[key] for key in keys}


def _remark(
    on_shelf: int | None, lots: Sequence[Read], stray: Sequence[Read]
) -> list[dict[str, Any]]:
    """Return what the counts alone do not say (SK2-SK5): a word, the lot, and how many."""
    remarks: list[dict[str, Any]] = []
    if on_shelf is None:
        remarks.append({"kind": "not-counted", "lot": None, "count": len(stray)})
    elif stray:
        remarks.append({"kind": "lot-not-delivered", "lot": None, "count": len(stray)})
    if on_shelf is not None and on_shelf < 0:
        remarks.append({"kind": "below-zero", "lot": None, "count": on_shelf})
    for lot in lots:
        if lot["on_shelf"] < 0:
            remarks.append({"kind": "below-zero", "lot": lot["lot"], "count": lot["on_shelf"]})
        if lot["has_two_expiries"]:
            remarks.append({"kind": "two-expiries", "lot": lot["lot"], "count": lot["on_shelf"]})
    return remarks


def _lots_that_are(standing: str, items: Sequence[Read]) -> list[dict[str, Any]]:
    found = [
        {"stock_id": item["stock_id"], **lot}
        for item in items
        for lot in item["lots"]
        if lot["standing"] == standing and _is_there(lot)
    ]
    return sorted(found, key=lambda one: (one["expires_on"] or _NO_EXPIRY, one["stock_id"]))


def _find_doubles(packages: Sequence[Read]) -> list[dict[str, Any]]:
    """Return packages that one label names twice: identifier, lot and serial alike (SK10)."""
    groups: dict[tuple[str, str, str], set[str]] = {}
    for one in packages:
        parts = [shelf_form(one.get(part, "")) for part in ("identifier", "lot", "serial")]
        if parts[2] != "":
            groups.setdefault((parts[0], parts[1], parts[2]), set()).add(one["id"])
    return [
        {"identifier": identifier, "lot": lot, "serial": serial, "packages": sorted(ids)}
        for (identifier, lot, serial), ids in sorted(groups.items())
        if len(ids) > 1
    ]
