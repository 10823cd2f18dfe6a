"""Facts for gates: each given or not, numbers at the limits of the rows and of sizing."""

from collections.abc import Callable
from typing import Any

from api.clinical_rules.civil_date import add_days
from api.clinical_rules.gates import GATES, LIMITS, GateRow, find_gates
from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.sizing_limits import LimitRow
from tests.fuzz.chance import TEXTS, Chance

_MS_PER_HOUR = 3_600_000
_NAMES = ("short axis", "INR", "Flow, left", "{names}", "$&", *TEXTS)
_STANDINGS = ("none", "in-use", "out-of-date")
_SIGNED = ("signed", "unsigned", "expired", "draft")


def prepare_draw(rule_book: RuleBook) -> Callable[[Chance], dict[str, Any]]:
    """Return what draws a request, around the limits in force."""
    rows = rule_book.rule_file_or_listed(GATES, GateRow).rows
    limit = {row.when: row.limit or 0 for row in rows}
    amounts = [row.amount for row in rule_book.rule_file_or_listed(LIMITS, LimitRow).rows]

    def draw(chance: Chance) -> dict[str, Any]:
        share = chance.choice((0.1, 0.5, 1.0))
        today_on = add_days("2024-02-20", chance.randrange(800))
        times = limit["value_tenfold"]
        facts: dict[str, Any] = {}
        for fact, content in {
            "identity_matches": chance.holds(0.5),
            "missing_inputs": _draw_names(chance),
            "plan_standing": chance.choice(_STANDINGS),
            "plan_changes": _draw_names(chance),
            "pure_ul_given": chance.choice((0, chance.near(amounts))),
            "pure_ul_next": chance.near(amounts),
            "stop_um": chance.near([21_000, 2000]),
            "measured_distance_um": chance.near([21_000, 2000]),
            "conflicts": _draw_names(chance),
            "protocol_standing": chance.choice(_SIGNED),
            "counts": [
                {
                    "item": chance.choice(("coil", "needle", "adhesive")),
                    "opened": chance.randrange(4),
                    "recorded": chance.randrange(4),
                }
                for _ in range(chance.randrange(4))
            ],
            "follow_up_planned": chance.holds(0.5),
            "blood_return": {"seen": chance.holds(0.3), "wants_adhesive": chance.holds(0.5)},
            "values_outside_band": [
                {
                    **_draw_quantity(chance.near([4999, 5000, 10**12 - 1]), chance),
                    "least_milli": 5000,
                    "most_milli": chance.choice((5000, 150_000)),
                }
                for _ in range(chance.randrange(3))
            ],
            "tenfold_values": [
                {
                    **_draw_quantity(
                        chance.near([0, 7, 70, 7 * times, 70 * times]) % 10**6, chance
                    ),
                    "last_milli": chance.choice((0, 7, 70, 7 * times, 70 * times)),
                }
                for _ in range(chance.randrange(3))
            ],
            "estimated_inputs": _draw_names(chance),
            "unticked": _draw_names(chance),
            "coil_differs": {
                "planned_loop_um": chance.near([12_000]),
                "chosen_loop_um": chance.near([12_000, 1]),
            },
            "elapsed_ms": chance.near([45_000, 1_000_000_001]),
            "planned_ms": chance.near([45_000]),
            "unsent_count": chance.randrange(4),
            "oldest_unsent_ms": chance.near([limit["unsent_too_long"] * _MS_PER_HOUR, 1]),
            "clock_offset_ms": chance.near([limit["clock_off"] * 1000]) * chance.choice((1, -1)),
            "storage_persistent": chance.holds(0.5),
            "battery_per_cent": chance.near([limit["battery_low"], 1, 100]),
            "charging": chance.holds(0.3),
            "similar_names": _draw_names(chance),
            "device_expires_on": add_days(
                today_on, chance.near([limit["device_expires_soon"], 0, 0])
            ),
            "today_on": today_on,
            "lots_missing": _draw_names(chance),
            "device_recalls": [
                {"name": name, "reason": chance.choice(_NAMES)} for name in _draw_names(chance)
            ],
            "serial_opened_before": chance.choice(("", *_NAMES)),
            "lot_known_as": {
                "lot": chance.choice(_NAMES),
                "chosen": {"stock": chance.choice(_NAMES), "name": chance.choice(_NAMES)},
                "items": [
                    {"stock": name, "name": chance.choice(_NAMES)} for name in _draw_names(chance)
                ],
            },
            "lot_count": {
                "lot": chance.choice(_NAMES),
                "delivered": chance.randrange(4),
                "opened": chance.randrange(4),
            },
        }.items():
            facts |= chance.maybe(fact, content, share)
        if chance.holds(0.3):
            # Some of what is raised now was raised before in this case, some was not.
            causes = [str(gate["cause"]) for gate in find_gates(facts, rule_book)["gates"]]
            facts["already_raised"] = chance.sample([*causes, "HARD-01 none"], len(causes) // 2 + 1)
        return facts

    return draw


def _draw_names(chance: Chance) -> list[str]:
    return chance.choices(_NAMES, k=chance.choice((0, 1, 2, 3, 5)))


def _draw_quantity(milli: int, chance: Chance) -> dict[str, Any]:
    return {
        "name": chance.choice(_NAMES),
        "unit": chance.choice(("mm", "umol/L", "", "%")),
        "milli": milli,
    }
