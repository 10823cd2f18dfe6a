"""Amounts in the other unit against molar masses and pint.

Molar masses from memory: bilirubin 584.66 g/mol, creatinine 113.12 g/mol. The rule file takes the
rounded factors of clinical practice, so that two hundredths of a part may lie between both.
"""

from decimal import Decimal

import pint
import pytest

from api.clinical_rules.lab_units import tell_in_other_unit
from api.clinical_rules.liver_rules import LiverRules
from tests.unit.api.twin_engine import packaged_rule_book

UNITS = pint.UnitRegistry()
GRAMS_PER_MOL = {"bilirubin": 584.66, "creatinine": 113.12}
RULES = LiverRules(packaged_rule_book("2026-03-16"))


@pytest.mark.parametrize("name", ["bilirubin", "creatinine"])
@pytest.mark.parametrize("amount", [20, 34, 88, 176, 353, 900])
def test_an_amount_per_litre_is_the_mass_per_decilitre_that_its_molar_mass_gives(name, amount):
    """[HAZ-51] And back again."""
    mass = (amount * UNITS("umol/L") * GRAMS_PER_MOL[name] * UNITS("g/mol")).to("mg/dL").magnitude
    digits, unit = tell_in_other_unit(name, Decimal(amount), "umol/L", RULES)
    back, small = tell_in_other_unit(name, Decimal(digits), "mg/dL", RULES)

    assert (unit, small) == ("mg/dL", "umol/L")
    assert float(digits) == pytest.approx(mass, rel=0.02, abs=0.006)
    assert float(back) == pytest.approx(amount, rel=0.02)


@pytest.mark.parametrize("name", ["albumin", "haemoglobin"])
def test_a_mass_per_litre_is_a_tenth_per_decilitre(name):
    """[HAZ-51]"""
    for amount in (25, 31.5, 88, 130):
        per_decilitre = (amount * UNITS("g/L")).to("g/dL").magnitude
        digits, unit = tell_in_other_unit(name, Decimal(str(amount)), "g/L", RULES)

        assert (float(digits), unit) == (pytest.approx(per_decilitre), "g/dL")


def test_urea_and_what_has_one_unit_are_told_as_they_are():
    """[HAZ-51] Urea in mg/dL may be its nitrogen."""
    for name, unit in (("urea", "mmol/L"), ("sodium", "mmol/L"), ("albumin", "spoons")):
        assert tell_in_other_unit(name, Decimal(6), unit, RULES) is None
