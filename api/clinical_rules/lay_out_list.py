"""What a planned case needs on the table: how many, how many spare, and which lots to take."""

from collections.abc import Mapping, Sequence
from typing import Any

from api.clinical_rules.lay_out_request import READ_LAY_OUT
from api.clinical_rules.rule_book import RuleBook, name_rule_files
from api.clinical_rules.sizing_limits import LimitRow, Limits
from api.clinical_rules.sizing_request import refuse_doubles
from api.clinical_rules.stock_counts import STOCK
from api.clinical_rules.stock_without_lot import UNUSABLE

SPARES = {
    "needle": "spare_needles",
    "coil": "spare_coils_a_size",
    "adhesive": "spare_ampoules",
}
_MEDIA = {"saline": "saline", "sterile-water": "sterile water", "dextrose-5": "dextrose 5 %"}

Read = Mapping[str, Any]


def make_lay_out_list(request: object, rule_book: RuleBook) -> dict[str, Any]:
    """Return what to lay out for a planned case, line by line.

    Parameters
    ----------
    request : object
        Parsed JSON with the keys of ``lay-out`` in RULES.md.
    rule_book : RuleBook
        Holds ``stock/default``.

    Returns
    -------
    dict
        ``lines`` (needle, coils, adhesive, oil, flush, the unit's own), counts in packages and
        amounts in microlitres; ``is_short``; ``basis`` of each spare; ``rule_files``.

    Raises
    ------
    ShapeError
        A key or type is wrong, or an item stands twice on the shelf.
    RuleFileError
        The rule file lacks a row.

    Notes
    -----
    Rules SK12-SK17, SK20. Pure.
    """
    read = READ_LAY_OUT(request, "")
    file = rule_book.rule_file_or_listed(STOCK, LimitRow)
    refuse_doubles([one["id"] for one in read["shelf"]], "shelf", "id")
    limit = Limits(file)
    spare = {item: limit[name] for item, name in SPARES.items()}
    lines = [
        *_needle_lines(read, spare["needle"]),
        *_coil_lines(read, spare["coil"]),
        *_adhesive_lines(read, spare["adhesive"]),
        *_flush_lines(read),
        *(_bare_line("own", line, None) for line in read.get("own_lines", [])),
    ]
    rows = {row.item: row for row in file.rows}
    return {
        "lines": lines,
        "is_short": any(line["short"] > 0 for line in lines),
        "basis": {
            name: {"basis": rows[name].basis, "source": rows[name].source}
            for name in SPARES.values()
        },
        "rule_files": name_rule_files(file),
    }


def _needle_lines(read: Read, spare: int) -> list[dict[str, Any]]:
    if "needle" not in read:
        return []
    return [_stock_line(read, "needle", read["needle"], 1, spare)]


def _coil_lines(read: Read, spare: int) -> list[dict[str, Any]]:
    """Return a line for each size planned, in the order of the plan (SK12)."""
    planned = [(pick, target["label"]) for target in read["targets"] for pick in target["picks"]]
    lines = []
    for stock_id in dict.fromkeys(pick for pick, _ in planned):
        labels = [label for pick, label in planned if pick == stock_id]
        line = _stock_line(read, "coil", stock_id, len(labels), spare)
        line["targets"] = [
            {"label": label, "count": labels.count(label)} for label in dict.fromkeys(labels)
        ]
        lines.append(line)
    return lines


def _adhesive_lines(read: Read, spare: int) -> list[dict[str, Any]]:
    """Return ampoules to cover the adhesive (pure) that is planned, and the oil (SK15)."""
    adhesive = read.get("adhesive")
    if adhesive is None:
        return []
    pure_ul, mix_ul = adhesive.get("pure_ul"), adhesive.get("mix_ul")
    of_agent = [one for one in read["shelf"] if one.get("agent") == adhesive["agent"]]
    if not of_agent:
        line = _stock_line(read, "adhesive", adhesive["agent"], None, spare)
    else:
        lines = [
            _stock_line(read, "adhesive", one["id"], _ampoules(one, pure_ul), spare)
            for one in of_agent
        ]
        begun = [one for one in lines if one["laid_out"] > 0]
        line = [*begun, *(one for one in lines if one["short"] == 0), *lines][0]
    if line["needed"] is None:
        line["remarks"].append({"kind": "amount-unknown", "lot": None, "count": 0})
    line["amount_ul"] = pure_ul
    if pure_ul is None or mix_ul is None or mix_ul <= pure_ul:
        return [line]
    return [line, _bare_line("oil", "Oil for the mix", mix_ul - pure_ul)]


def _ampoules(item: Read, pure_ul: int | None) -> int | None:
    """Return how many ampoules hold the amount; None where either is not known."""
    ampoule_ul = item.get("ampoule_ul")
    return None if pure_ul is None or ampoule_ul is None else -(-pure_ul // ampoule_ul)


def _flush_lines(read: Read) -> list[dict[str, Any]]:
    """Return the media of the plan, never another, and what one flush takes (SK16)."""
    flush = read.get("flush")
    if flush is None:
        return []
    media = " or ".join(_MEDIA[medium] for medium in flush["media"])
    return [_bare_line("flush", f"Flush: {media}", flush.get("flush_ul"))]


def _bare_line(item: str, what: str, amount_ul: int | None) -> dict[str, Any]:
    """Return a line that no package of the shelf answers."""
    return {
        "item": item,
        "what": what,
        "stock_id": None,
        "needed": None,
        "spare": 0,
        "laid_out": 0,
        "on_shelf": None,
        "lots": [],
        "short": 0,
        "short_of_needed": 0,
        "amount_ul": amount_ul,
        "targets": [],
        "remarks": [],
    }


def _stock_line(
    read: Read, item: str, stock_id: str, needed: int | None, spare: int
) -> dict[str, Any]:
    """Return a line of packages: how many, which lots, how many are missing (SK12-SK14)."""
    found = next((one for one in read["shelf"] if one["id"] == stock_id), None)
    laid_out = read.get("laid_out", []).count(stock_id)
    wanted = max(0, (needed or 0) + spare - laid_out)
    there = max(0, found.get("usable", 0)) if found is not None else 0
    taken = min(wanted, there)
    return {
        "item": item,
        "what": stock_id if found is None else found["name"],
        "stock_id": stock_id if found is not None else None,
        "needed": needed,
        "spare": spare,
        "laid_out": laid_out,
        "on_shelf": None if found is None else found.get("on_shelf"),
        "lots": _take(found["lots"], taken) if found is not None else [],
        "short": wanted - taken,
        "short_of_needed": max(0, (needed or 0) - laid_out - taken),
        "amount_ul": None,
        "targets": [],
        "remarks": _remark(found),
    }


def _take(lots: Sequence[Read], count: int) -> list[dict[str, Any]]:
    """Return which lots to take: the oldest use-by date first, an unknown one last (SK13).

    Packages whose lot nobody knows come behind all others.
    """
    takes: list[dict[str, Any]] = []
    left = count
    for lot in [one for one in lots if one["standing"] not in UNUSABLE and one["on_shelf"] > 0]:
        take = min(left, lot["on_shelf"])
        if take > 0:
            takes.append({"lot": lot.get("lot"), "expires_on": lot.get("expires_on"), "take": take})
        left -= take
    if left > 0:
        takes.append({"lot": None, "expires_on": None, "take": left})
    return takes


def _remark(found: Read | None) -> list[dict[str, Any]]:
    if found is None:
        return [{"kind": "not-listed", "lot": None, "count": 0}]
    if "on_shelf" not in found:
        return [{"kind": "not-counted", "lot": None, "count": 0}]
    return [
        {"kind": lot["standing"], "lot": lot.get("lot"), "count": lot["on_shelf"]}
        for lot in found["lots"]
        if lot["standing"] in (*UNUSABLE, "expiry-unknown") and lot["on_shelf"] > 0
    ]
