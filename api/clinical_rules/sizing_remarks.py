"""Remarks on the numbers that a plan is asked with: those outside their usual band (SZ19)."""

from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Any

from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.value_cautions import USUAL_BANDS, find_value_cautions

_THOUSAND = 1000
# Which usual band each key of the request has, with its unit; the key counts in thousandths of it.
_OF_TARGET = {
    "short_axis_um": ("short_axis", "mm"),
    "long_axis_um": ("long_axis", "mm"),
    "third_axis_um": ("third_axis", "mm"),
    "measured_distance_um": ("measured_distance", "mm"),
    "near_wall_um": ("near_wall", "mm"),
    "far_wall_um": ("far_wall", "mm"),
}
_OF_NEEDLE = {
    "inner_diameter_um": ("needle_lumen", "mm"),
    "length_um": ("needle_length", "mm"),
    "prime_ul": ("needle_prime", "mL"),
    "stop_step_um": ("stop_step", "mm"),
}
_OF_COIL = {
    "loop_um": ("coil_loop", "mm"),
    "wire_um": ("coil_wire", "mm"),
    "length_um": ("coil_length", "mm"),
}
_OF_ADHESIVE = {"planned_ul": ("adhesive_planned", "mL")}


def warn_of_sizes(read: Mapping[str, Any], rule_book: RuleBook) -> list[dict[str, object]]:
    """Return a remark on each number outside its usual band, each text once.

    Parameters
    ----------
    read : mapping
        The request of ``sizing`` as read.
    rule_book : RuleBook
        May hold ``measurements/usual_bands``; without it there is no remark.

    Notes
    -----
    Rule SZ19. Soft: a remark refuses nothing.
    """
    if not rule_book.has(USUAL_BANDS):
        return []
    found: dict[str, dict[str, object]] = {}
    for part, bands in _parts(read):
        for key, (quantity, unit) in bands.items():
            if key in part:
                amount = Decimal(part[key]) / _THOUSAND
                for remark in find_value_cautions(
                    quantity, unit, amount, None, None, rule_book=rule_book
                ):
                    found.setdefault(str(remark["text"]), remark)
    return list(found.values())


def _parts(
    read: Mapping[str, Any],
) -> Iterator[tuple[Mapping[str, Any], Mapping[str, tuple[str, str]]]]:
    for target in read["targets"]:
        yield target, _OF_TARGET
    yield read.get("needle", {}), _OF_NEEDLE
    for coil in read.get("coils_in_stock", []):
        yield coil, _OF_COIL
    yield read.get("adhesive", {}), _OF_ADHESIVE
