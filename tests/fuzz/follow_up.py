"""Requests for follow-up: courses of visits, and todays at the ends of their windows."""

from collections.abc import Callable
from typing import Any

from api.clinical_rules.civil_date import add_days, add_interval
from api.clinical_rules.follow_up_rows import EarlyLookRow, VisitRow
from api.clinical_rules.rule_book import RuleBook
from tests.fuzz.chance import Chance

_ENDS = {"died", "transferred", "declined"}
_OUTCOMES = ("attended", "attended", "no-show", "no-show", "cancelled", "done-elsewhere")


def prepare_draw(rule_book: RuleBook) -> Callable[[Chance], dict[str, Any]]:
    """Return what draws a request, around the windows of the plan in force."""
    rows = rule_book.rule_file("follow_up/default", VisitRow).rows
    early = rule_book.rule_file("follow_up/early_look", EarlyLookRow).rows[0]
    visits = [row.visit for row in rows]

    def draw(chance: Chance) -> dict[str, Any]:
        index_on = add_days("2023-12-25", chance.randrange(1600))
        happened = _draw_course(rows, visits, index_on, chance)
        anchors = [index_on, *(one["on"] for one in happened)]
        today_on = _draw_edge(rows, chance.choice(anchors), chance)
        if chance.holds(0.9):
            # What lies in the future is refused as a whole; mostly the course is one that can be.
            happened = [
                one
                for one in happened
                if one["on"] <= today_on and (one["on"] >= index_on or not _ENDS & one.keys())
            ]
        conditions = {
            **chance.maybe("cirrhosis", chance.holds(0.7)),
            **chance.maybe("child_class", chance.choice("ABC")),
            **chance.maybe("transplant_listed", chance.holds(0.3)),
            **chance.maybe("on_beta_blocker", chance.holds(0.5)),
            **chance.maybe("oesophageal_banded", chance.holds(0.5)),
            **chance.maybe("adhesive_ul", chance.near([early.above_adhesive_ul, 1])),
            **chance.maybe("coils", chance.near([early.from_coils, 1])),
        }
        return {
            "plan": "default",
            "index_on": index_on,
            "acute_bleed": chance.holds(0.5),
            "today_on": today_on,
            **chance.maybe("conditions", conditions, 0.8),
            **chance.maybe("happened", happened, 0.9),
        }

    return draw


def _draw_edge(rows: tuple[VisitRow, ...], anchor_on: str, chance: Chance) -> str:
    """Return a day at an end of a window that begins with the anchor, or just beside it."""
    row = chance.choice(rows)
    months = chance.choice((row.months, row.repeat_months or row.months))
    days = row.days + chance.choice((-row.before_days, 0, row.after_days))
    return add_interval(anchor_on, months=months, days=days + chance.choice((-1, 0, 1)))


def _draw_course(
    rows: tuple[VisitRow, ...], visits: list[str], index_on: str, chance: Chance
) -> list[dict[str, Any]]:
    if chance.holds(0.15):
        # Everything planned took place and nothing was found: what comes next then?
        return [
            {"visit": visit, "on": add_days(index_on, 40 * place), "outcome": "attended"}
            for place, visit in enumerate(visits, start=1)
        ]
    on = index_on
    happened: list[dict[str, Any]] = []
    for _ in range(chance.choice((0, 1, 2, 4, 8))):
        on = _draw_edge(rows, on, chance) if chance.holds(0.5) else add_days(on, chance.near([0]))
        happened.append(
            {
                "visit": chance.choice(visits) if chance.holds(0.95) else "a visit of another plan",
                "on": on,
                **chance.maybe("outcome", chance.choice(_OUTCOMES), 0.9),
                **chance.maybe("doppler_flow", chance.holds(0.5), 0.4),
                **chance.maybe("obliterated", chance.holds(0.5), 0.4),
                **chance.maybe("not_seen", chance.holds(0.8), 0.3),
                **chance.maybe("retreated", chance.holds(0.5), 0.2),
                **chance.maybe("died", chance.holds(0.5), 0.02),
                **chance.maybe("transferred", chance.holds(0.5), 0.02),
                **chance.maybe("declined", chance.holds(0.5), 0.02),
            }
        )
    # The record may list visits in any order.
    if chance.holds(0.2):
        chance.shuffle(happened)
    return happened
