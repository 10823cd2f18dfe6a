"""Numbers as entered: at both ends of every usual band, and ten times what stood before."""

from collections.abc import Callable
from decimal import Decimal
from typing import Any

from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.value_cautions import USUAL_BANDS, UsualBandRow
from tests.fuzz.chance import Chance

_UNITS = ("", "mm", "MM", "umol/L", "\u00b5mol/L")
_FACTORS = (Decimal(1), Decimal(10), Decimal("0.1"), Decimal(100), Decimal("9.999"))
_ORIGINS = ("measured", "estimated", "earlier-record", "measured-on-image")


def prepare_draw(rule_book: RuleBook) -> Callable[[Chance], dict[str, Any]]:
    """Return what draws a request, around the usual bands in force."""
    rows = rule_book.rule_file(USUAL_BANDS, UsualBandRow).rows

    def draw(chance: Chance) -> dict[str, Any]:
        row = chance.choice(rows)
        bounds = [Decimal(row.at_least), Decimal(row.at_most)]
        if chance.holds(0.6):
            amount = chance.near_decimal(bounds)
        else:
            most = float(bounds[1]) * 1.5
            amount = round(chance.uniform(-1, most), chance.randrange(7))
        # A tenth or tenfold of what stood before, exactly or nearly so.
        last = Decimal(repr(amount)) * chance.choice(_FACTORS)
        last += Decimal("0.01") * chance.choice((0, 0, 1, -1))
        return {
            **chance.maybe("quantity", row.quantity, 0.9),
            "unit": row.unit if chance.holds(0.9) else chance.choice(_UNITS),
            "amount": amount,
            **chance.maybe("last", chance.write(last), 0.6),
            **chance.maybe("origin", chance.choice(_ORIGINS), 0.6),
        }

    return draw
