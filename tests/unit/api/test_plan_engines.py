"""Sizing and follow-up in both engines: malformed requests and the edges of the domain."""

import copy
import random
from typing import Any

from tests.unit.api.twin_engine import assert_engines_agree

WRONG = [None, True, -1, 0, 1.5, 9007199254740992, 10_000_001, "x", "2026-02-30", [], {}, ["x"]]
SIZING: dict[str, Any] = {
    "targets": [
        {
            "label": "A",
            "short_axis_um": 12_000,
            "long_axis_um": 20_000,
            "measured_distance_um": 23_000,
            "origin": "measured",
        }
    ],
    "needle": {"gauge": 19, "inner_diameter_um": 940, "length_um": 1_400_000, "stop_step_um": 500},
    "coils_in_stock": [
        {"id": "c15", "loop_um": 15_000, "wire_um": 889, "length_um": 140_000, "count": 3}
    ],
    "adhesive": {"agent": "n-butyl-2-cyanoacrylate", "parts_adhesive": 1, "parts_oil": 1},
    "shunt": "none",
}
FOLLOW_UP: dict[str, Any] = {
    "plan": "default",
    "index_on": "2026-03-01",
    "acute_bleed": True,
    "today_on": "2026-06-02",
    "conditions": {"cirrhosis": True, "child_class": "A", "coils": 2},
    "happened": [{"visit": "eus_3m", "on": "2026-06-01", "outcome": "attended"}],
}


def spoil(request: Any) -> list[Any]:
    """Return the request with each part in turn of a wrong type, left out, or beside a stranger."""
    spoiled: list[Any] = []

    def visit(part: Any, path: list[Any]) -> None:
        keys = list(part) if isinstance(part, dict) else list(range(len(part)))
        if isinstance(part, dict):
            spoiled.append(_changed(request, [*path, "surprise"], 1))
        for key in keys:
            spoiled.extend(_changed(request, [*path, key], wrong) for wrong in WRONG)
            if isinstance(part, dict):
                spoiled.append(_without(request, [*path, key]))
            if isinstance(part[key], dict | list):
                visit(part[key], [*path, key])

    visit(request, [])
    return spoiled


def _holder(request: Any, path: list[Any]) -> tuple[Any, Any]:
    whole = copy.deepcopy(request)
    holder = whole
    for key in path[:-1]:
        holder = holder[key]
    return whole, holder


def _changed(request: Any, path: list[Any], content: Any) -> Any:
    whole, holder = _holder(request, path)
    holder[path[-1]] = content
    return whole


def _without(request: Any, path: list[Any]) -> Any:
    whole, holder = _holder(request, path)
    del holder[path[-1]]
    return whole


def test_both_engines_refuse_a_malformed_sizing_with_the_same_sentence():
    """[SZ17]"""
    requests = spoil(SIZING)

    assert len(requests) > 250
    assert_engines_agree("sizing", requests)


def test_both_engines_refuse_a_malformed_follow_up_with_the_same_sentence():
    requests = spoil(FOLLOW_UP)

    assert len(requests) > 150
    assert_engines_agree("follow-up", requests)


def draw_edge(seed: int) -> dict[str, Any]:
    """Draw from the bounds themselves, with short stock, many targets and needles without lumen."""
    chance = random.Random(seed)
    axes = [0, 1, 4999, 5000, 9999, 10_000, 16_666, 16_667, 20_000, 20_001, 100_000, 100_001]
    lengths = [*axes, 10_000_000]
    return {
        "targets": [
            {
                "label": label,
                "short_axis_um": chance.choice(axes),
                "long_axis_um": chance.choice(lengths),
                "third_axis_um": chance.choice(lengths),
                "measured_distance_um": chance.choice(lengths),
                "near_wall_um": chance.choice(lengths),
                "far_wall_um": chance.choice(lengths),
                "origin": "measured",
            }
            for label in "ABC"[: chance.randrange(1, 4)]
        ],
        "needle": {
            "gauge": chance.choice([0, 19, 20, 22, 23, 25]),
            **({"inner_diameter_um": chance.choice(lengths)} if chance.random() < 0.4 else {}),
            **({"length_um": chance.choice(lengths)} if chance.random() < 0.6 else {}),
            "stop_step_um": chance.choice([0, 1, 3, 999, 1000]),
        },
        "coils_in_stock": [
            {
                "id": f"coil-{place}",
                "loop_um": chance.choice([5999, 6000, 7500, 12_000, 20_000, 24_000, 30_000]),
                "wire_um": chance.choice([0, 458, 459, 889, 890, 10_000_000]),
                "length_um": chance.choice([0, 1, 140_000, 10_000_000]),
                "count": chance.choice([0, 1, 2, 2**53 - 1]),
            }
            for place in range(chance.randrange(6))
        ],
        "adhesive": {
            "agent": chance.choice(["2-octyl-cyanoacrylate", "n-butyl-2-cyanoacrylate"]),
            "parts_adhesive": chance.choice([0, 1, 3, 1000]),
            "parts_oil": chance.choice([0, 1, 7, 1000]),
            "planned_ul": chance.choice([0, 1, 999, 1000, 4000, 4001, 6001, 10_000_000]),
        },
        "given_so_far_ul": chance.choice([0, 1, 2000]),
    }


def test_both_engines_size_alike_at_the_edges():
    """[SZ2] [SZ3] [SZ13] [GE1] Bounds in threes, the largest numbers that are read."""
    assert_engines_agree("sizing", [draw_edge(seed) for seed in range(300)])
