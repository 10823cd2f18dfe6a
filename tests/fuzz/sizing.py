"""Requests for sizing: axes, loops, wires and amounts at every bound of the rule files."""

from collections.abc import Callable
from typing import Any

from api.clinical_rules.coil_picks import CoilCountRow, WireGaugeRow
from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.sizing_limits import LimitRow, Limits
from tests.fuzz.chance import Chance

_LONGEST_UM = 10_000_000
_AGENTS = ("2-octyl-cyanoacrylate", "n-butyl-2-cyanoacrylate")
_ORIGINS = ("measured", "estimated", "earlier-record", "measured-on-image")


def prepare_draw(rule_book: RuleBook) -> Callable[[Chance], dict[str, Any]]:
    """Return what draws a request, around the bounds of the rule files in force."""
    return _Shelf(rule_book).draw


class _Shelf:
    """The bounds of the rule files, and what is drawn around them."""

    def __init__(self, rule_book: RuleBook) -> None:
        counts = rule_book.rule_file("sizing/coil_counts", CoilCountRow).rows
        gauges = rule_book.rule_file("sizing/wire_gauges", WireGaugeRow).rows
        self._limit = Limits(rule_book.rule_file("sizing/limits", LimitRow))
        self._axes = [1, *(bound for row in counts for bound in (row.from_um, row.below_um))]
        self._axes = [axis for axis in self._axes if axis > 0]
        self._wires = [*(row.wire_up_to_um for row in gauges), self._limit["thick_wire_um"]]
        self._gauges = [row.gauge_at_most for row in gauges]
        self._amounts = [
            1,
            self._limit["aliquot_ul"],
            self._limit["soft_limit_ul"],
            self._limit["second_person_ul"],
        ]

    def draw(self, chance: Chance) -> dict[str, Any]:
        """Draw a request; the loops in stock lie around the band of its first target."""
        axes = [self._draw_axis(chance) for _ in range(chance.choice((0, 1, 1, 1, 2, 3)))]
        return {
            "targets": [
                self._draw_target("ABC"[place], axis, chance) for place, axis in enumerate(axes)
            ],
            **chance.maybe("needle", self._draw_needle(chance), 0.8),
            **chance.maybe("coils_in_stock", self._draw_stock(axes, chance), 0.8),
            **chance.maybe("adhesive", self._draw_adhesive(chance), 0.6),
            **chance.maybe("given_so_far_ul", self._draw_amount(chance), 0.4),
            **chance.maybe("shunt", chance.choice(("none", "present", "unknown")), 0.6),
            **chance.maybe("right_to_left_shunt", chance.choice(("no", "yes", "unknown")), 0.6),
        }

    def _draw_axis(self, chance: Chance) -> int:
        if chance.holds(0.4):
            return chance.near(self._axes)
        return chance.choice((chance.randrange(40_000), chance.randrange(8, 40) * 500))

    def _draw_length(self, chance: Chance) -> int:
        if chance.holds(0.05):
            return chance.choice((0, 1, _LONGEST_UM, _LONGEST_UM + 1))
        return self._draw_axis(chance) * chance.choice((1, 1, 2))

    def _draw_target(self, label: str, axis_um: int, chance: Chance) -> dict[str, Any]:
        distance_um = chance.choice((chance.randrange(60_000), self._limit["stop_margin_um"] + 1))
        wall_um = distance_um - self._limit["stop_margin_um"]
        return {
            "label": label,
            "short_axis_um": axis_um,
            **chance.maybe("long_axis_um", self._draw_length(chance)),
            **chance.maybe("third_axis_um", self._draw_length(chance), 0.5),
            **chance.maybe("measured_distance_um", distance_um),
            **chance.maybe("near_wall_um", max(0, chance.near([wall_um, 10_000])), 0.4),
            **chance.maybe("far_wall_um", max(0, chance.near([wall_um, 20_000])), 0.4),
            **chance.maybe("origin", chance.choice(_ORIGINS)),
        }

    def _draw_needle(self, chance: Chance) -> dict[str, Any]:
        gauge = chance.near(self._gauges) if chance.holds(0.8) else chance.choice((0, 25, 2**53))
        return {
            "gauge": gauge,
            **chance.maybe("inner_diameter_um", chance.near([*self._wires, 940, 560]), 0.5),
            **chance.maybe("length_um", chance.randrange(1_300_000, 1_800_000)),
            **chance.maybe("prime_ul", chance.randrange(1500), 0.5),
            **chance.maybe("stop_step_um", chance.choice((0, 1, 3, 250, 500, 999, 1000, 5000))),
        }

    def _draw_stock(self, axes: list[int], chance: Chance) -> list[dict[str, Any]]:
        ends = [
            axis * self._limit[end] // 1000
            for axis in axes
            for end in ("loop_low_per_mille", "loop_high_per_mille")
        ]
        loops = [*axes, *ends, self._limit["thick_wire_above_loop_um"]]
        # Numbers as ids, and not in their order: objects of JavaScript would put them into it.
        has_numbers = chance.holds(0.1)
        return [
            {
                "id": str(9 - place) if has_numbers else f"coil {place}",
                "loop_um": max(
                    0, chance.near(loops) if chance.holds(0.5) else chance.randrange(30) * 1000
                ),
                "wire_um": chance.near(self._wires),
                "length_um": chance.choice((0, 1, 140_000, chance.randrange(300_000))),
                "count": chance.choice((0, 1, 1, 2, 3, 2**53 - 1)),
            }
            for place in range(chance.randrange(7))
        ]

    def _draw_amount(self, chance: Chance) -> int:
        return chance.near(self._amounts) if chance.holds(0.5) else chance.randrange(8000)

    def _draw_adhesive(self, chance: Chance) -> dict[str, Any]:
        return {
            "agent": chance.choice(_AGENTS),
            "parts_adhesive": chance.choice((0, 1, 1, 2, 3, 7, 1000)),
            "parts_oil": chance.choice((0, 0, 1, 2, 3, 7, 1000)),
            **chance.maybe("planned_ul", self._draw_amount(chance), 0.8),
        }
