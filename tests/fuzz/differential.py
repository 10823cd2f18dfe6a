"""Asks both engines the same random requests and compares their answers byte for byte.

Usage: ``python -m tests.fuzz.differential [--requests N] [--seed N] [kind ...]``. The seed is
printed; with the same seed the same requests are drawn. On the first difference of a kind the
request is printed as a vector to be pasted into `tests/conformance`, and the exit code is 1.
"""

import argparse
import json
import secrets
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from api.clinical_rules.rule_book import RuleBook
from tests.fuzz import (
    adverse_event_grades,
    antithrombotic_holds,
    device_label,
    first_bleed,
    follow_up,
    gates,
    implant_search,
    intended_use,
    liver_scores,
    picture_length,
    session_places,
    sizing,
    step_protocol,
    stock,
    value_cautions,
    varix_class,
    visit_course,
)
from tests.fuzz.chance import Chance
from tests.fuzz.spoiling import spoil
from tests.unit.api.twin_engine import find_differences, packaged_rule_book

Draw = Callable[[Chance], Any]

KINDS: Mapping[str, Callable[[RuleBook], Draw]] = {
    "liver-scores": liver_scores.prepare_draw,
    "sizing": sizing.prepare_draw,
    "follow-up": follow_up.prepare_draw,
    "antithrombotic-holds": antithrombotic_holds.prepare_draw,
    "device-label": device_label.prepare_draw,
    "step-protocol": step_protocol.prepare_draw,
    "varix-class": varix_class.prepare_draw,
    "adverse-event-grades": adverse_event_grades.prepare_draw,
    "value-cautions": value_cautions.prepare_draw,
    "first-bleed": first_bleed.prepare_draw,
    "gates": gates.prepare_draw,
    "implant-search": implant_search.prepare_draw,
    "intended-use": intended_use.prepare_draw,
    "picture-length": picture_length.prepare_draw,
    "session-places": session_places.prepare_draw,
    "stock-counts": stock.prepare_draw_counts,
    "lay-out": stock.prepare_draw_lay_out,
    "package-counts": stock.prepare_draw_packages,
    "visit-act": visit_course.prepare_draw_act,
    "visit-outlook": visit_course.prepare_draw_outlook,
}
# Where the vectors of a kind stand, below `tests/conformance`.
VECTORS: Mapping[str, str] = {
    "liver-scores": "liver_scores/answer_liver_scores.json",
    "sizing": "sizing/answer_sizing.json",
    "follow-up": "follow_up/answer_follow_up.json",
    "antithrombotic-holds": "antithrombotic_holds/answer_antithrombotic_holds.json",
    "device-label": "device_label/answer_device_label.json",
    "step-protocol": "steps/follow_protocol.json",
    "varix-class": "varix_class/answer_varix_class.json",
    "adverse-event-grades": "adverse_events/grade_adverse_event.json",
    "value-cautions": "value_cautions/answer_value_cautions.json",
    "first-bleed": "varix_risk/answer_first_bleed.json",
    "gates": "gates/find_gates.json",
    "implant-search": "lots/answer_implant_search.json",
    "intended-use": "intended_use/answer_intended_use.json",
    "picture-length": "picture_length/answer_picture_length.json",
    "session-places": "bookings/answer_session_places.json",
    "stock-counts": "stock/count_stock.json",
    "lay-out": "stock/make_lay_out_list.json",
    "package-counts": "stock/count_packages.json",
    "visit-act": "visit_course/take_visit_act.json",
    "visit-outlook": "visit_course/look_at_visit.json",
}
# Their vectors have the request itself under `given`.
_BARE = ("step-protocol", "gates")
# Its events are typed by the record's catalogue before they reach the engine.
_READ_ELSEWHERE = ("step-protocol",)
_SPOILED_SHARE = 0.3


def draw_requests(kind: str, count: int, seed: int, rule_book: RuleBook) -> Iterator[Any]:
    """Draw so many requests of a kind, one after the other; a share of them is spoiled."""
    chance = Chance(f"{kind} {seed}")
    draw = KINDS[kind](rule_book)
    for _ in range(count):
        request = draw(chance)
        is_spoiled = kind not in _READ_ELSEWHERE and chance.holds(_SPOILED_SHARE)
        yield spoil(request, chance) if is_spoiled else request


def compare_engines(kind: str, count: int, seed: int) -> str | None:
    """Return the first difference as a vector with both answers, None when there is none."""
    rule_book = packaged_rule_book()
    requests = draw_requests(kind, count, seed, rule_book)
    for request, here, there in find_differences(kind, requests, rule_book):
        vector = {
            "description": f"[RULE] the engines differ on this {kind} (seed {seed})",
            "given": request if kind in _BARE else {"kind": kind, "request": request},
            "expect": {},
        }
        file = f"tests/conformance/{VECTORS[kind]}"
        return (
            f"{json.dumps(vector, indent=1)}\nA case for {file}: say what the rule expects.\n"
            f"Python:     {here}\nTypeScript: {there}"
        )
    return None


def main() -> int:
    """Compare every kind asked for; return 1 when the engines differ."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("kinds", nargs="*", metavar="kind", help=", ".join(KINDS))
    parser.add_argument("--requests", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=secrets.randbelow(2**32))
    asked = parser.parse_args()
    print(f"seed {asked.seed}, {asked.requests} requests a kind")
    is_alike = True
    for kind in asked.kinds or KINDS:
        begun = time.monotonic()
        difference = compare_engines(kind, asked.requests, asked.seed)
        took = time.monotonic() - begun
        print(f"{kind}: {'alike' if difference is None else 'DIFFERENT'}, {took:.0f} s", flush=True)
        if difference is not None:
            print(difference)
            is_alike = False
    return 0 if is_alike else 1


if __name__ == "__main__":
    sys.exit(main())
