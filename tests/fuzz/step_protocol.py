"""Procedures for the step protocol: walks through it, with slips, and events of any kind."""

from collections.abc import Callable
from typing import Any

from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.step_protocol import CHOOSE, follow_protocol, read_protocol
from tests.fuzz.chance import Chance
from tests.unit.api.inner_engines import read_procedure

_OUTCOMES = ("done", "done", "done", "done", "not-seen", "skipped", "override")
_MOVES = (
    "coil",
    "another_coil",
    "adhesive",
    "another_aliquot",
    "try_again",
    "another_puncture",
    "next_target",
    "withdraw",
)


def prepare_draw(rule_book: RuleBook) -> Callable[[Chance], dict[str, Any]]:
    """Return what draws a procedure of the protocol in force."""
    steps = read_protocol(rule_book)
    ids = [*(step.id for step in steps), CHOOSE, "a step of a newer version"]
    before = [step.id for step in steps[: [step.loop is None for step in steps].index(False)]]

    def draw(chance: Chance) -> dict[str, Any]:
        targets = [
            {
                "label": chance.choice(("A", "B", "C", "\u0410", "")),
                "wants_adhesive": chance.holds(0.6),
                "coils_planned": chance.choice((0, 1, 1, 2, 3)),
            }
            for _ in range(chance.choice((0, 1, 1, 2, 3)))
        ]
        procedure: dict[str, Any] = {"targets": targets, "events": []}
        events = procedure["events"]
        if chance.holds(0.8):
            events.extend({"step": step} for step in before)
        for _ in range(chance.choice((0, 2, 5, 10, 20, 40))):
            if chance.holds(0.12):
                events.append(_draw_event(ids, chance))
                continue
            now = follow_protocol(steps, *read_procedure(procedure))
            if now.step is None:
                break
            passed = {
                "step": now.step,
                **{key: part for key, part in _parts_of(now.round) if part is not None},
                "outcome": chance.choice(_OUTCOMES),
            }
            if now.choices:
                passed["move"] = chance.choice(now.choices)
            events.append(passed)
        return procedure

    return draw


def _parts_of(where: Any) -> list[tuple[str, Any]]:
    return [(key, getattr(where, key)) for key in ("target", "puncture", "coil", "aliquot")]


def _draw_event(ids: list[str], chance: Chance) -> dict[str, Any]:
    return {
        "step": chance.choice(ids),
        **chance.maybe("target", chance.choice(("A", "B", "C", "\u0410"))),
        **chance.maybe("puncture", chance.choice((1, 2)), 0.6),
        **chance.maybe("coil", chance.choice((1, 2)), 0.3),
        **chance.maybe("aliquot", chance.choice((1, 2)), 0.3),
        **chance.maybe("outcome", chance.choice(_OUTCOMES)),
        **chance.maybe("move", chance.choice(_MOVES), 0.3),
    }
