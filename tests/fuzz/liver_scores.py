"""Requests for liver scores: every input at every bound of bands, coefficients and ranges."""

from collections.abc import Callable
from decimal import Decimal
from typing import Any

from api.clinical_rules.liver_rules import LiverRules
from api.clinical_rules.rule_book import RuleBook
from tests.fuzz.chance import Chance

# The unit of the bands, the other unit, the factor between them, the unit in names of terms.
_MEASURED = {
    "bilirubin": ("umol/L", "mg/dL", "bilirubin_umol_l_per_mg_dl", "mg_dl"),
    "albumin": ("g/L", "g/dL", "albumin_g_l_per_g_dl", "g_dl"),
    "creatinine": ("umol/L", "mg/dL", "creatinine_umol_l_per_mg_dl", "mg_dl"),
    "urea": ("mg/dL", "mmol/L", "urea_mg_dl_per_mmol_l", "mmol_l"),
    "haemoglobin": ("g/L", "g/dL", "haemoglobin_g_l_per_g_dl", "g_dl"),
}
_NUMBERS = ("inr", "sodium_mmol_l", "weight_kg", "systolic_mmhg", "heart_rate_bpm")
_WORDS = {
    "ascites": ("none", "mild", "moderate-severe"),
    "encephalopathy": ("none", "grade1-2", "grade3-4"),
    "sex": ("female", "male"),
}
_FLAGS = (
    "dialysis",
    "melaena",
    "syncope",
    "hepatic_disease",
    "cardiac_failure",
    "altered_mental_status",
)
Bounds = dict[str, list[Decimal]]


def prepare_draw(rule_book: RuleBook) -> Callable[[Chance], dict[str, Any]]:
    """Return what draws a request, around the bounds of the rule files in force."""
    rules = LiverRules.of(rule_book)
    bounds = _read_bounds(rules)
    ages = [int(one) for one in bounds["age_years"]]

    def draw(chance: Chance) -> dict[str, Any]:
        request: dict[str, Any] = {}
        # Most scores need many inputs: some requests give all, some what they happen to.
        share = chance.choice((1.0, 1.0, 0.9, 0.4))
        for name, (one, other, _, _) in _MEASURED.items():
            unit = chance.choice((one, other))
            value = _draw_amount(bounds[f"{name} {unit}"], chance)
            request |= chance.maybe(name, {"value": value, "unit": unit}, share)
        for name in _NUMBERS:
            request |= chance.maybe(name, _draw_amount(bounds[name], chance), share)
        age = chance.near(ages) if chance.holds(0.2) else chance.randint(18, 95)
        request |= chance.maybe("age_years", age, share)
        for name, words in _WORDS.items():
            request |= chance.maybe(name, chance.choice(words), share)
        for name in _FLAGS:
            request |= chance.maybe(name, chance.holds(0.4), share)
        return request

    return draw


def _draw_amount(bounds: list[Decimal], chance: Chance) -> float | int:
    if chance.holds(0.4):
        return chance.near_decimal(bounds)
    least, most = float(min(bounds)), float(max(bounds))
    # Most of what is measured is a round number and lies at the lower end of its range.
    share = chance.random() ** chance.choice((1, 3, 3))
    return round(least + (most - least) * share, chance.choice((0, 0, 0, 1, 2, 3)))


def _read_bounds(rules: LiverRules) -> Bounds:
    """Return the bounds of each input, by name or by name and unit."""
    bounds: Bounds = {name: _of_input(rules, name, "") for name in (*_NUMBERS, "age_years")}
    for name, (smaller, larger, per, suffix) in _MEASURED.items():
        factor = rules.factor("units", per)
        in_larger = _of_coefficients(rules, f"{name}_{suffix}")
        in_bands = _of_bands(rules, name)
        bands_are_larger = name == "urea"
        in_larger += in_bands if bands_are_larger else [_convert(one / factor) for one in in_bands]
        bounds[f"{name} {larger}"] = [*_of_ranges(rules, name, larger), *in_larger]
        bounds[f"{name} {smaller}"] = [
            *_of_ranges(rules, name, smaller),
            *([] if bands_are_larger else in_bands),
            *[_convert(one * factor) for one in in_larger],
        ]
    return bounds


def _of_input(rules: LiverRules, name: str, unit: str) -> list[Decimal]:
    return [
        *_of_ranges(rules, name, unit),
        *_of_bands(rules, name),
        *_of_coefficients(rules, name),
    ]


def _of_ranges(rules: LiverRules, name: str, unit: str) -> list[Decimal]:
    return [
        Decimal(bound)
        for row in rules.ranges.rows
        if row.input == name and unit in ("", row.unit)
        for bound in (row.at_least, row.at_most)
    ]


def _of_bands(rules: LiverRules, name: str) -> list[Decimal]:
    return [
        Decimal(bound)
        for row in rules.bands.rows
        if row.item.removesuffix("_male").removesuffix("_female") == name
        for bound in (row.at_least, row.above, row.at_most, row.below)
        if bound is not None
    ]


def _of_coefficients(rules: LiverRules, term: str) -> list[Decimal]:
    return [
        Decimal(row.factor)
        for row in rules.coefficients.rows
        if row.term in (f"least_{term}", f"most_{term}", f"dialysis_{term}")
    ]


def _convert(amount: Decimal) -> Decimal:
    """Return a converted bound with as many decimals as a result of a laboratory may have."""
    return round(amount, 4).normalize()
