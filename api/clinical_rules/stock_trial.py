"""Tries the rule file of the shelf: one count and one lay-out list by it (RL8)."""

from collections.abc import Mapping

from api.clinical_rules.lay_out_list import make_lay_out_list
from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.stock_counts import count_stock

_PICK = "stock_item/coil"


def try_stock(request: Mapping[str, object], book: RuleBook) -> dict[str, object]:
    """Count an empty shelf and lay one coil out by the file, which refuses a faulty one."""
    counted = count_stock({**request, "items": [], "movements": [], "packages": []}, book)
    targets = [{"label": "Varix A", "picks": [_PICK]}]
    return {**counted, **make_lay_out_list({"targets": targets, "shelf": []}, book)}
