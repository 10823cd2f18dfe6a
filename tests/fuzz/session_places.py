"""Bookings of one session around its capacity, with urgencies and stamps that are often alike."""

from collections.abc import Callable
from typing import Any

from api.clinical_rules.rule_book import RuleBook
from tests.fuzz.chance import Chance

_TEXTS = ("000000000001000.00000.desk-a", "000000000001000.00000.desk-b", "\U0001f9ea", "\uffee")

_DAYS = ("", "2026-04-14", "2026-04-14", "2026-04-15")


def prepare_draw(_: RuleBook) -> Callable[[Chance], dict[str, Any]]:
    """Return what draws a request."""

    def draw(chance: Chance) -> dict[str, Any]:
        count = chance.choice((0, 1, 2, 3, 5, 8))
        return {
            "bookings": [
                {
                    "visit": f"visit/{chance.choice('abcdefgh')}",
                    "stamp": chance.choice(_TEXTS),
                    **chance.maybe("urgency", chance.choice((0, 0, 1, 2, 3))),
                    **chance.maybe("on", chance.choice(_DAYS)),
                }
                for _ in range(count)
            ],
            **chance.maybe("capacity", chance.choice((0, 1, count, count + 1)), 0.9),
            **chance.maybe("closed_because", chance.choice(("", "holiday")), 0.3),
            **chance.maybe("held_on", chance.choice(_DAYS)),
        }

    return draw
