"""Sizing and follow-up in both engines: every key of a request malformed in every way."""

import copy
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
