"""Sites, continuity and axes for the class of varices, at every bound of the size classes."""

from collections.abc import Callable
from decimal import Decimal
from typing import Any

from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.varix_class import SITES, SIZE_CLASSES, SizeClassRow
from tests.fuzz.chance import Chance


def prepare_draw(rule_book: RuleBook) -> Callable[[Chance], dict[str, Any]]:
    """Return what draws a request, around the size classes in force."""
    rows = rule_book.rule_file(SIZE_CLASSES, SizeClassRow).rows
    bounds = [
        int(Decimal(bound) * 1000)
        for row in rows
        for bound in (row.at_least, row.above, row.at_most, row.below)
        if bound is not None
    ]

    def draw(chance: Chance) -> dict[str, Any]:
        axis_um = chance.near([*bounds, 1]) if chance.holds(0.6) else chance.randrange(40_000)
        return {
            **chance.maybe("is_continuous", chance.choice((True, False, None)), 0.9),
            **chance.maybe(
                "sites", chance.choices(SITES, k=chance.choice((0, 1, 1, 2, 2, 3, 5))), 0.9
            ),
            **chance.maybe("short_axis_um", axis_um),
        }

    return draw
