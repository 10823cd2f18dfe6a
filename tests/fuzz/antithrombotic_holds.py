"""Requests for antithrombotic holds: every profile, drug and bound of the clearance."""

from collections.abc import Callable
from decimal import Decimal
from typing import Any

from api.clinical_rules.antithrombotic_holds import HoldRow
from api.clinical_rules.civil_date import add_days
from api.clinical_rules.rule_book import RuleBook
from tests.fuzz.chance import Chance

_FOLDER = "antithrombotic_holds"
# Ends of months and years, leap days, and the ends of the calendar that is read.
_DAYS = ("2024-02-29", "2024-03-01", "2025-03-01", "2026-01-01", "2028-03-05", "2100-03-01")
_EDGES = ("1900-01-01", "1900-01-03", "2199-12-31", "2200-01-01", "2026-02-29", "2026-1-1")


def prepare_draw(rule_book: RuleBook) -> Callable[[Chance], dict[str, Any]]:
    """Return what draws a request, around the bounds of the profiles in force."""
    names = rule_book.names(_FOLDER)
    rows = [row for name in names for row in rule_book.rule_file(name, HoldRow).rows]
    drugs = [*dict.fromkeys(row.drug for row in rows), "inventaban", "Warfarin"]
    clearances = [Decimal(0), Decimal(300)] + [
        Decimal(bound)
        for row in rows
        for bound in (row.at_least, row.above, row.at_most, row.below)
        if bound is not None
    ]
    profiles = [name.removeprefix(f"{_FOLDER}/") for name in names]

    def draw(chance: Chance) -> dict[str, Any]:
        clearance = (
            chance.near_decimal(clearances)
            if chance.holds(0.6)
            else round(chance.uniform(-10, 400), chance.randrange(4))
        )
        return {
            **chance.maybe("profile", chance.choice(profiles), 0.8),
            "procedure_on": _draw_day(chance),
            "urgent": chance.holds(0.05),
            "drugs": chance.choices(drugs, k=chance.choice((0, 1, 1, 2, 3, 9))),
            **chance.maybe("creatinine_clearance_ml_per_min", clearance),
        }

    return draw


def _draw_day(chance: Chance) -> str:
    if chance.holds(0.05):
        return chance.choice(_EDGES)
    if chance.holds(0.4):
        return add_days(chance.choice(_DAYS), chance.randint(-8, 8))
    return add_days("2024-01-01", chance.randrange(6000))
