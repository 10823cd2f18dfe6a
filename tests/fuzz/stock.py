"""A shelf with few items, lots that are often alike and counts around zero; a plan on it."""

from collections.abc import Callable
from typing import Any

from api.clinical_rules.civil_date import add_days
from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.sizing_limits import LimitRow, Limits
from api.clinical_rules.stock_counts import NEAR_EXPIRY, STOCK
from tests.fuzz.chance import Chance

_TODAY = "2026-11-26"
_ITEMS = {"stock_item/a": "coil", "stock_item/b": "needle", "stock_item/c": "adhesive"}
_LOTS = ("L-1", "l-1", "L - 1", "L-2", "", "\U0001f9ea", "\uffee", "__proto__")
_IDENTIFIERS = ("00400000100012", "400000100012", "+X1", "")
_STANDINGS = ("valid", "near-expiry", "expired", "recalled", "expiry-unknown")
_AGENTS = ("2-octyl-cyanoacrylate", "n-butyl-2-cyanoacrylate")


def prepare_draw_counts(rule_book: RuleBook) -> Callable[[Chance], dict[str, Any]]:
    """Return what draws a request of ``stock-counts``."""
    near_days = Limits(rule_book.rule_file(STOCK, LimitRow))[NEAR_EXPIRY]
    days = [
        add_days(_TODAY, by) for by in (-400, -1, 0, 1, near_days - 1, near_days, near_days + 1)
    ]

    def label(chance: Chance) -> dict[str, Any]:
        return {
            **chance.maybe("lot", chance.choice(_LOTS), 0.9),
            **chance.maybe("lot_unknown", chance.choice((True, False)), 0.2),
            **chance.maybe("identifier", chance.choice(_IDENTIFIERS), 0.5),
            **chance.maybe("serial", chance.choice(("", "7", "7", "8")), 0.4),
            **chance.maybe("expires_on", chance.choice(days), 0.7),
            **chance.maybe("struck", chance.choice((True, False)), 0.2),
        }

    def draw(chance: Chance) -> dict[str, Any]:
        return {
            "today_on": _TODAY,
            "items": [
                {
                    "id": name,
                    "item": item,
                    **chance.maybe("identifiers", [chance.choice(_IDENTIFIERS)], 0.5),
                    **chance.maybe("reorder_below", chance.choice((0, 1, 2, 3)), 0.7),
                }
                for name, item in _ITEMS.items()
                if chance.holds(0.8)
            ],
            "movements": [
                {
                    "stock": chance.choice(tuple(_ITEMS)),
                    "change": chance.choice((-2, -1, 0, 1, 2, 3)),
                    **label(chance),
                }
                for _ in range(chance.choice((0, 1, 3, 6)))
            ],
            "packages": [
                {
                    "id": f"package_opened/{chance.choice('abcdef')}",
                    "stock": chance.choice((*_ITEMS, "stock_item/x")),
                    "fate": chance.choice(("open", "placed", "used", "discarded", "returned")),
                    **label(chance),
                }
                for _ in range(chance.choice((0, 1, 3, 6)))
            ],
            "recalls": [
                {
                    **chance.maybe("item", chance.choice(tuple(_ITEMS.values())), 0.5),
                    **chance.maybe("identifier", chance.choice(_IDENTIFIERS), 0.5),
                    **chance.maybe("lots", [chance.choice(_LOTS)], 0.5),
                    **chance.maybe("expires_from", chance.choice(days), 0.3),
                    **chance.maybe("expires_to", chance.choice(days), 0.3),
                }
                for _ in range(chance.choice((0, 0, 1)))
            ],
        }

    return draw


def prepare_draw_lay_out(_: RuleBook) -> Callable[[Chance], dict[str, Any]]:
    """Return what draws a request of ``lay-out``."""

    def shelf_item(chance: Chance, name: str, item: str) -> dict[str, Any]:
        return {
            "id": name,
            "item": item,
            "name": chance.choice(("Coil 8 mm", "", "\U0001f9ea")),
            "lots": [
                {
                    **chance.maybe("lot", chance.choice(_LOTS), 0.9),
                    "on_shelf": chance.choice((-1, 0, 1, 2, 3)),
                    "standing": chance.choice(_STANDINGS),
                    **chance.maybe("expires_on", "2027-01-31", 0.7),
                }
                for _ in range(chance.choice((0, 1, 3)))
            ],
            **chance.maybe("on_shelf", chance.choice((-1, 0, 1, 3, 5)), 0.8),
            **chance.maybe("usable", chance.choice((-1, 0, 1, 3, 5)), 0.8),
            **({"agent": chance.choice(_AGENTS)} if item == "adhesive" else {}),
            **chance.maybe("ampoule_ul", chance.choice((1, 500, 1000)), 0.5),
        }

    def draw(chance: Chance) -> dict[str, Any]:
        names = [*_ITEMS, "stock_item/x"]
        return {
            "targets": [
                {
                    "label": chance.choice(("Varix A", "Varix B", "")),
                    "picks": [chance.choice(names) for _ in range(chance.choice((0, 1, 3)))],
                }
                for _ in range(chance.choice((0, 1, 2)))
            ],
            "shelf": [
                shelf_item(chance, name, item)
                for name, item in (*_ITEMS.items(), ("d", "adhesive"))
            ],
            **chance.maybe("needle", chance.choice(names)),
            **chance.maybe(
                "adhesive",
                {
                    "agent": chance.choice(_AGENTS),
                    **chance.maybe("pure_ul", chance.choice((0, 1, 999, 1000, 1001, 2000))),
                    **chance.maybe("mix_ul", chance.choice((0, 1000, 2000))),
                },
            ),
            **chance.maybe(
                "flush",
                {
                    "media": [chance.choice(("saline", "sterile-water", "dextrose-5"))],
                    **chance.maybe("flush_ul", chance.choice((0, 350, 1000))),
                },
            ),
            **chance.maybe("laid_out", [chance.choice(names) for _ in range(3)], 0.4),
            **chance.maybe("own_lines", ["Eye protection", "\U0001f9ea"], 0.3),
        }

    return draw


def prepare_draw_packages(_: RuleBook) -> Callable[[Chance], dict[str, Any]]:
    """Return what draws a request of ``package-counts``."""
    fates = ("open", "placed", "used", "discarded", "returned")

    def draw(chance: Chance) -> dict[str, Any]:
        return {
            "packages": [
                {
                    "id": f"package_opened/{number}",
                    "item": chance.choice(("coil", "coil", "needle", "adhesive")),
                    **chance.maybe("fate", chance.choice(fates), 0.9),
                    **chance.maybe("struck", chance.choice((True, False)), 0.2),
                }
                for number in range(chance.choice((0, 1, 3, 6)))
            ],
            "coils": [
                {
                    "id": f"coil_placed/{number}",
                    **chance.maybe("package", f"package_opened/{chance.choice('01239')}", 0.9),
                    **chance.maybe("struck", chance.choice((True, False)), 0.2),
                }
                for number in range(chance.choice((0, 1, 3)))
            ],
        }

    return draw
