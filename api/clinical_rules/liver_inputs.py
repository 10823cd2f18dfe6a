"""What a request for liver scores gives: read strictly, converted exactly, refused by name."""

from collections.abc import Callable, Mapping
from decimal import Decimal
from typing import Any

import msgspec

from api.clinical_rules.bands import read_decimal
from api.clinical_rules.errors import RuleFileError
from api.clinical_rules.lab_units import UNIT_PAIRS, convert_lab
from api.clinical_rules.liver_rules import LiverRules
from api.clinical_rules.measures import write_digits
from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.rule_file import path_of
from api.clinical_rules.shapes import flag, number, one_of, shape, whole_number
from api.clinical_rules.value_cautions import find_value_cautions


def _measured(*units: str) -> Callable[[object, str], Any]:
    return shape({"value": number, "unit": one_of(*units)})


READ_REQUEST = shape(
    {},
    {
        "bilirubin": _measured("mg/dL", "umol/L"),
        "albumin": _measured("g/dL", "g/L"),
        "creatinine": _measured("mg/dL", "umol/L"),
        "urea": _measured("mmol/L", "mg/dL"),
        "haemoglobin": _measured("g/L", "g/dL"),
        "inr": number,
        "sodium_mmol_l": number,
        "ascites": one_of("none", "mild", "moderate-severe"),
        "encephalopathy": one_of("none", "grade1-2", "grade3-4"),
        "dialysis": flag,
        "sex": one_of("female", "male"),
        "age_years": whole_number,
        "weight_kg": number,
        "systolic_mmhg": number,
        "heart_rate_bpm": number,
        "melaena": flag,
        "syncope": flag,
        "hepatic_disease": flag,
        "cardiac_failure": flag,
        "altered_mental_status": flag,
    },
)

# Unit in which a range row stands for inputs that carry their unit in their name.
_MEASURED = ("bilirubin", "albumin", "creatinine", "urea", "haemoglobin")
_NUMBERS = ("inr", "sodium_mmol_l", "age_years", "weight_kg", "systolic_mmhg", "heart_rate_bpm")
# Name and unit under which the usual bands hold the inputs that carry their unit in their name.
_USUAL = {
    "inr": ("inr", "ratio"),
    "sodium_mmol_l": ("sodium", "mmol/L"),
    "age_years": ("age", "years"),
    "weight_kg": ("weight", "kg"),
    "systolic_mmhg": ("systolic", "mmHg"),
    "heart_rate_bpm": ("pulse", "/min"),
}


class GivenInputs(msgspec.Struct):
    """What a request gives: amounts in the units of the rules, words, and what is refused."""

    amounts: dict[str, Decimal]
    words: dict[str, str]
    on_dialysis: bool
    refusals: dict[str, dict[str, str]]

    def has(self, name: str) -> bool:
        """Say whether the input was given and lies within its range."""
        return name in self.amounts or name in self.words


def take_inputs(read: Mapping[str, Any], rules: LiverRules) -> GivenInputs:
    """Return the inputs in the units of the rules, and a refusal for each out of its range.

    Parameters
    ----------
    read : mapping
        What `READ_REQUEST` returned.

    Notes
    -----
    Rules LS1 and LS3.
    """
    given = GivenInputs({}, {}, on_dialysis=bool(read.get("dialysis")), refusals={})
    for name in (*_MEASURED, *_NUMBERS):
        if name not in read:
            continue
        unit = read[name]["unit"] if name in _MEASURED else None
        amount = Decimal(read[name]["value"] if name in _MEASURED else read[name])
        refusal = _refuse_outside(name, amount, unit, rules)
        if refusal:
            given.refusals[name] = refusal
        elif unit is None:
            given.amounts[name] = amount
        else:
            _convert(given, name, amount, unit, rules)
    for name in ("ascites", "encephalopathy", "sex"):
        if name in read:
            given.words[name] = read[name]
    for name in (
        "melaena",
        "syncope",
        "hepatic_disease",
        "cardiac_failure",
        "altered_mental_status",
    ):
        if name in read:
            given.words[name] = "yes" if read[name] else "no"
    return given


def warn_of_inputs(
    read: Mapping[str, Any], given: GivenInputs, rule_book: RuleBook
) -> list[dict[str, object]]:
    """Return a caution for each input within its range but outside its usual band (LS13).

    Each caution names its input last.
    """
    cautions: list[dict[str, object]] = []
    for name in (*_MEASURED, *_NUMBERS):
        if name not in read or name in given.refusals:
            continue
        is_measured = name in _MEASURED
        quantity, unit = (name, read[name]["unit"]) if is_measured else _USUAL[name]
        amount = Decimal(read[name]["value"] if is_measured else read[name])
        found = find_value_cautions(quantity, unit, amount, None, None, rule_book=rule_book)
        cautions += [{**caution, "input": name} for caution in found]
    return cautions


def _refuse_outside(
    name: str, amount: Decimal, unit: str | None, rules: LiverRules
) -> dict[str, str] | None:
    row = next(
        (one for one in rules.ranges.rows if one.input == name and unit in {None, one.unit}), None
    )
    if row is None:
        of_unit = f" in {unit}" if unit else ""
        message = f"Rule file {path_of(rules.ranges)} has no range of {name}{of_unit}. Add the row."
        raise RuleFileError(message)
    least = read_decimal(row.at_least, path_of(rules.ranges))
    most = read_decimal(row.at_most, path_of(rules.ranges))
    if least <= amount <= most:
        return None
    unit_text = f" {row.unit}" if row.unit else ""
    text = (
        f"{name} {write_digits(amount)}{unit_text} lies outside {row.at_least} to {row.at_most}. "
        "Check the number and its unit."
    )
    return {"kind": "out-of-range", "text": text}


def _convert(given: GivenInputs, name: str, amount: Decimal, unit: str, rules: LiverRules) -> None:
    """Keep an amount under its own name in the unit of the bands, and in the other one (LS1)."""
    pair = UNIT_PAIRS[name]
    other = convert_lab(name, amount, unit, rules)
    in_larger = f"{name}_{pair.larger.lower().replace('/', '_')}"
    given.amounts[name] = amount if unit == pair.smaller else other
    given.amounts[in_larger] = other if unit == pair.smaller else amount
