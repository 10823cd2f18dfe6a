"""The two units in which laboratories tell one amount: converted exactly, and told side by side.

Twin of `clinical-rules/lab-units.ts`.
"""

from decimal import Decimal
from typing import NamedTuple

from api.clinical_rules.liver_rules import LiverRules
from api.clinical_rules.measures import round_half_up, write_digits

_SHOWN_PLACES = 2


class UnitPair(NamedTuple):
    """Two units, and the coefficient that says how many of the smaller make one of the larger."""

    smaller: str
    larger: str
    per: str


UNIT_PAIRS = {
    "bilirubin": UnitPair("umol/L", "mg/dL", "bilirubin_umol_l_per_mg_dl"),
    "creatinine": UnitPair("umol/L", "mg/dL", "creatinine_umol_l_per_mg_dl"),
    "urea": UnitPair("mg/dL", "mmol/L", "urea_mg_dl_per_mmol_l"),
    "albumin": UnitPair("g/L", "g/dL", "albumin_g_l_per_g_dl"),
    "haemoglobin": UnitPair("g/L", "g/dL", "haemoglobin_g_l_per_g_dl"),
}


def convert_lab(name: str, amount: Decimal, unit: str, rules: LiverRules) -> Decimal:
    """Return an amount given in one unit of its pair in the other one (LS1)."""
    pair = UNIT_PAIRS[name]
    factor = rules.factor("units", pair.per)
    return amount / factor if unit == pair.smaller else amount * factor


def tell_in_other_unit(
    name: str, amount: Decimal, unit: str, rules: LiverRules
) -> tuple[str, str] | None:
    """Return digits and unit of an amount in the other unit, to be read and never calculated with.

    Returns
    -------
    tuple of str and str, or None
        At most two decimals, a half away from zero; None where laboratories use one unit alone.

    Notes
    -----
    Whoever is used to the other unit would else take 2 for 2 mg/dL where 2 umol/L stands (HAZ-51).
    Urea is left out: in mg/dL some tell urea and others its nitrogen, less than half as much.
    """
    pair = UNIT_PAIRS.get(name)
    if pair is None or name == "urea" or unit not in (pair.smaller, pair.larger):
        return None
    other = pair.larger if unit == pair.smaller else pair.smaller
    told = round_half_up(convert_lab(name, amount, unit, rules), _SHOWN_PLACES)
    return write_digits(told), other
