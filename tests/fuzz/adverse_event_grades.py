"""Facts of adverse events: each given or not, counts at every threshold of both scales."""

from collections.abc import Callable
from typing import Any

from api.clinical_rules.adverse_events import DRUGS, FACTS, GRADES, GradeRow
from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.shapes import flag, natural_number
from tests.fuzz.chance import Chance

_DAY_HOURS = 24


def prepare_draw(rule_book: RuleBook) -> Callable[[Chance], dict[str, Any]]:
    """Return what draws a request, around the thresholds of the scales in force."""
    bounds: dict[str, list[int]] = {fact: [1] for fact in FACTS}
    for scale in GRADES:
        for row in rule_book.rule_file(f"adverse_events/{scale}", GradeRow).rows:
            for threshold in (row.at_least, row.is_):
                if isinstance(threshold, int) and not isinstance(threshold, bool):
                    bounds[row.fact].append(threshold)

    def draw(chance: Chance) -> dict[str, Any]:
        share = chance.choice((0.1, 0.5, 0.9, 1.0))
        facts: dict[str, Any] = {}
        for fact, reader in FACTS.items():
            if reader is flag:
                content: object = chance.holds(0.2)
            elif reader is natural_number:
                content = 0 if chance.holds(0.4) else max(0, chance.near(bounds[fact]))
            else:
                content = chance.choice(DRUGS)
            facts |= chance.maybe(fact, content, share)
        if {"admission_hours", "admission_nights"} <= facts.keys():
            # At most one midnight more than whole days; beside it they do not fit each other.
            fitting = facts["admission_hours"] // _DAY_HOURS
            facts["admission_nights"] = max(0, chance.near([fitting, fitting + 1]))
        return facts

    return draw
