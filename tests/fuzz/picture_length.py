"""Points on a picture: scales about as short as they may be, whole-number triangles, any line."""

from collections.abc import Callable
from typing import Any

from api.clinical_rules.picture_length import READING
from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.sizing_limits import LimitRow
from tests.fuzz.chance import Chance

# Their long side is whole, so that lengths fall on a half and on whole micrometres.
_TRIANGLES = ((3, 4), (5, 12), (8, 15), (0, 1), (1, 0), (20, 21))


def prepare_draw(rule_book: RuleBook) -> Callable[[Chance], dict[str, Any]]:
    """Return what draws a request, around the shortest scale in force."""
    rows = rule_book.rule_file(READING, LimitRow).rows
    least = next(row.amount for row in rows if row.item == "least_scale_px")

    def draw_ends(chance: Chance, width: int, height: int) -> dict[str, Any]:
        start = (chance.randrange(width), chance.randrange(height))
        if chance.holds(0.4):
            across, down = chance.choice(_TRIANGLES)
            times = chance.near([least // 5, least]) if chance.holds(0.6) else chance.randrange(90)
            end = (start[0] + across * times, start[1] + down * times)
        else:
            end = (chance.randrange(width), chance.randrange(height))
        if chance.holds(0.5):
            start, end = end, start
        return {
            "from": {"x": start[0], "y": start[1]},
            "to": {"x": max(end[0], 0), "y": max(end[1], 0)},
        }

    def draw(chance: Chance) -> dict[str, Any]:
        width, height = (chance.choice((800, 1280, 2560)) + chance.randrange(9) for _ in range(2))
        known = chance.choice((5, 10, 30, 50, 100)) * 1000 + chance.choice((0, 0, 0, 1, 500))
        return {
            "width_px": width,
            "height_px": height,
            "scale": {**draw_ends(chance, width, height), "known_um": known},
            "line": draw_ends(chance, width, height),
        }

    return draw
