"""What rows of rule files and their keys are called in words of the field.

A name that is missing here is put together from the id, so that a new row is told all the same.
"""

import re
from collections.abc import Mapping, Sequence
from typing import Any

from api.use_cases.amount_words import say_value

# Rows that are known by an `item`.
_ITEMS: Mapping[str, str] = {
    # --- sizing
    "loop_low_per_mille": "Smallest coil loop, as a multiple of the varix",
    "loop_high_per_mille": "Largest coil loop, as a multiple of the varix",
    "stop_margin_um": "Margin between measured depth and needle stop",
    "aliquot_ul": "One injection holds at most",
    "aliquot_ms_per_ml": "Time of an injection",
    "soft_limit_ul": "Adhesive (pure) in a session, limit of caution",
    "second_person_ul": "Adhesive (pure) in a session, limit above which a second person agrees",
    "mix_soft_limit_ul": "Mix (adhesive + oil) in a session, limit of caution",
    "mix_second_person_ul": (
        "Mix (adhesive + oil) in a session, limit above which a second person agrees"
    ),
    "most_oil_per_mille": "Most oil for one part of adhesive",
    "thick_wire_above_loop_um": "Loop size above which the thick wire is taken",
    "thick_wire_um": "Thick wire",
    # --- the course of a visit
    "late_days_to_clinician": "Days late after which a clinician decides",
    "failed_tries_to_clinician": "Failed tries to reach somebody after which a clinician decides",
    "book_ahead_days": "A visit is booked ahead of its day by",
    "rebook_within_days": "A missed visit is booked again within",
    "decide_within_days": "A clinician decides within",
    "result_within_days": "A result is looked at within",
    "most_urgency": "Highest step of urgency",
    # --- stock
    "near_expiry_days": "Near its expiry",
    "spare_needles": "Spare needles laid out",
    "spare_coils_a_size": "Spare coils laid out, each size",
    "spare_ampoules": "Spare ampoules laid out",
    # --- pictures
    "least_scale_px": "Shortest scale to measure by",
    "misread_px": "A point is set to within",
}
# What a key of a row is called; "" where the name of the row says it already.
_KEYS: Mapping[str, str] = {
    "amount": "",
    "words": "",
    "text": "its sentence",
    "ask": "its question",
    "detail": "its detail",
    "title": "its title",
    "label": "its label",
    "name": "its name",
    "source": "its source",
    "basis": "what it rests on",
    "because": "its reason",
    "check": "what to check",
    "refuse": "its refusal",
    "leaves": "what it leaves to do",
    "withholds": "what it withholds",
    "may_pass": "who may pass it",
    "owner": "its owner",
    "owner_role": "whose act it is",
    "hold_days": "stopped before the procedure",
    "continue": "goes on through the procedure",
    "before_days": "earliest, before its day",
    "after_days": "latest, after its day",
    "repeat_months": "repeated every",
    "when": "when it counts",
    "applies": "when it applies",
    "is": "the answer",
    "one_of": "one of",
    "at_least": "at least",
    "at_most": "at most",
    "from_um": "from",
    "below_um": "to below",
    "from_coils": "fewest coils",
    "to_coils": "most coils",
    "wire_up_to_um": "wire up to",
    "gauge_at_most": "gauge at most",
    "above_adhesive_ul": "adhesive above",
    "no_shows_to_clinician": "missed visits after which a clinician decides",
    "bled_per_mille": "bled",
    "days_before": "days before the visit",
    "taken_as": "read as",
}
# Endings of ids that are units: the value says them.
_UNITS = re.compile(r"_(um|ul|ms|ms_per_ml|per_mille|per_cent|px|days|months)$")
# Keys that a row is known by and that say nothing without their word.
_SIZES = ("from_um", "wire_up_to_um", "years")


def say_key(key: str) -> str:
    """Return what a key of a row is called; "" where the name of the row says it already."""
    said = _KEYS.get(key)
    return _in_words(key) if said is None else said


def say_row_name(row: Mapping[str, Any], names: Sequence[str], unit: str) -> str:
    """Return what a row is called.

    Parameters
    ----------
    names : sequence of str
        The keys that tell it from the others of its file.
    unit : str
        Of the file.

    Examples
    --------
    >>> say_row_name({"item": "soft_limit_ul"}, ("item",), "")
    'Adhesive (pure) in a session, limit of caution'
    """
    said = ", ".join(_part(row, name, unit) for name in names)
    # What people read on the screen helps more than the id: a visit or a step has both.
    shown = next((row[one] for one in ("title", "label", "name") if row.get(one)), None)
    if isinstance(shown, str) and "item" not in names and shown.casefold() != said.casefold():
        said = f"{said} ({shown})"
    return said[:1].upper() + said[1:]


def _part(row: Mapping[str, Any], name: str, unit: str) -> str:
    value = row.get(name)
    if name == "item" and isinstance(value, str):
        return _ITEMS.get(value) or _in_words(value)
    if name in _SIZES or not isinstance(value, str):
        return f"{say_key(name)} {say_value(value, name, row, unit)}".strip()
    if name == "id" and value.islower():
        return _in_words(value).replace("-", " ")
    # A code such as SOFT-08 or a unit such as mg/dL stays as people know it.
    return value.replace("_", " ")


def _in_words(name: str) -> str:
    return _UNITS.sub("", name).replace("_", " ")
