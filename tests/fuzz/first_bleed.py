"""Classes for the published ranges of first bleeding."""

from collections.abc import Callable
from typing import Any

from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.varix_class import CLASSES
from tests.fuzz.chance import TEXTS, Chance


def prepare_draw(_rule_book: RuleBook) -> Callable[[Chance], dict[str, Any]]:
    """Return what draws a request: there are few valid ones, so words of any kind join them."""

    def draw(chance: Chance) -> dict[str, Any]:
        name = chance.choice(CLASSES)
        if chance.holds(0.3):
            name = chance.choice((chance.look_alike(name), chance.choice(TEXTS)))
        return chance.maybe("varix_class", name, 0.95)

    return draw
