"""Which stocked coils a plan starts with: the loop band, the needle's lumen and the stock.

The stock is one for all targets: a coil planned for one of them is not there for the next.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from api.clinical_rules.rule_file import Amount, Row
from api.clinical_rules.shapes import order_keys

Coil = Mapping[str, Any]


class CoilCountRow(Row, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How many coils to start with from one axis on and below another."""

    from_um: Amount
    below_um: Amount
    from_coils: Amount
    to_coils: Amount


class WireGaugeRow(Row, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The finest gauge that a wire up to a thickness goes through, from thin to thick."""

    wire_up_to_um: Amount
    gauge_at_most: Amount


def loop_band_um(axis_um: int, limit: Mapping[str, int]) -> tuple[int, int]:
    """Return the loop band: its lower bound rounded up, its upper one down (SZ3)."""
    low = -(-axis_um * limit["loop_low_per_mille"] // 1000)
    return low, axis_um * limit["loop_high_per_mille"] // 1000


def pass_needle(
    stock: Sequence[Coil], needle: Mapping[str, Any] | None, gauges: Sequence[WireGaugeRow]
) -> dict[str, bool | None]:
    """Say of each coil whether its wire passes; None while no needle is chosen (SZ8).

    A measured lumen decides; without one the gauge does, by published pairs of wire and needle.
    """
    passes: dict[str, bool | None] = {}
    for coil in stock:
        if needle is None:
            passes[coil["id"]] = None
        elif "inner_diameter_um" in needle:
            passes[coil["id"]] = coil["wire_um"] < needle["inner_diameter_um"]
        else:
            passes[coil["id"]] = _pass_gauge(coil["wire_um"], needle["gauge"], gauges)
    return {coil_id: passes[coil_id] for coil_id in order_keys(passes)}


def _pass_gauge(wire_um: int, gauge: int, gauges: Sequence[WireGaugeRow]) -> bool:
    row = next((row for row in gauges if wire_um <= row.wire_up_to_um), None)
    return row is not None and gauge <= row.gauge_at_most


def share_stock(
    wanted: Sequence[tuple[int, CoilCountRow] | None],
    limit: Mapping[str, int],
    stock: Sequence[Coil],
    passes: Mapping[str, bool | None],
) -> list[list[Coil]]:
    """Return the coils of each target from first to last (SZ4-SZ7, SZ13).

    Parameters
    ----------
    wanted : sequence of (axis in micrometres, row)
        One for each target; None where nothing is to be picked.

    Notes
    -----
    Every target gets the lower end of its range before any gets the upper one.
    """
    left = {coil["id"]: coil["count"] for coil in stock if passes[coil["id"]] is not False}
    picks: list[list[Coil]] = [[] for _ in wanted]
    for end in ("from_coils", "to_coils"):
        for target, own in zip(wanted, picks, strict=True):
            while target is not None and len(own) < getattr(target[1], end):
                usable = [coil for coil in stock if left.get(coil["id"], 0) > 0]
                chosen = _next_pick(target[0], limit, usable, own)
                if chosen is None:
                    break
                left[chosen["id"]] -= 1
                own.append(chosen)
    return picks


def _next_pick(
    axis_um: int, limit: Mapping[str, int], usable: Sequence[Coil], picks: Sequence[Coil]
) -> Coil | None:
    """Return the next coil of a target; the first of equal loops as the stock lists them."""
    low, high = loop_band_um(axis_um, limit)
    if not picks:
        in_band = [coil for coil in usable if low <= coil["loop_um"] <= high]
        if in_band:
            return min(in_band, key=lambda coil: coil["loop_um"])
        below = [coil for coil in usable if coil["loop_um"] < low]
        largest = max(below, key=lambda coil: coil["loop_um"], default=None)
        # A loop smaller than the varix is told only where it truly is the largest there is.
        is_too_small = largest is not None and largest["loop_um"] < axis_um
        has_larger = any(coil["loop_um"] > high for coil in usable)
        return None if is_too_small and has_larger else largest
    # A loop narrower than the varix would not hold on its wall; one wider than the first
    # would not unfold in what the first left open.
    least = min(axis_um, picks[0]["loop_um"])
    fitting = [coil for coil in usable if least <= coil["loop_um"] <= picks[-1]["loop_um"]]
    return max(fitting, key=lambda coil: coil["loop_um"], default=None)
