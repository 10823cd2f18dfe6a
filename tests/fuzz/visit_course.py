"""Acts on visits in every state, and days at the ends of windows and limits."""

from collections.abc import Callable
from typing import Any

from api.clinical_rules.civil_date import add_days
from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.visit_course_limits import read_course_limits
from api.clinical_rules.visit_course_table import ACTS, END_REASONS, ROLES
from tests.fuzz.chance import Chance

_STATUSES = ("planned", "to-book", "booked", "booked", "no-show", "cancelled", "attended", "ended")


def prepare_draw_act(rule_book: RuleBook) -> Callable[[Chance], dict[str, Any]]:
    """Return what draws an act on a visit; mostly one that follows its state."""
    limits, _ = read_course_limits(rule_book)

    def draw(chance: Chance) -> dict[str, Any]:
        today_on = add_days("2026-01-01", chance.randrange(900))
        name = chance.choice(list(ACTS))
        visit = _draw_visit(today_on, limits, chance)
        if chance.holds(0.8):
            visit["status"] = chance.choice(ACTS[name].starts_from).partition("-by-")[0]
            visit["status"] = {"done-elsewhere": "attended"}.get(visit["status"], visit["status"])
        needs = {
            "day": add_days(today_on, chance.near([0, 14])),
            "because": chance.choice(("Away", "Away", " ", "")),
            "cancelled_by": chance.choice(("patient", "unit")),
            "place": chance.choice(("Unit by the sea", "Unit by the sea", "\t")),
            "owner_role": chance.choice(ROLES),
            "owner": chance.choice(("staff/s-1", "staff/s-2")),
            "act_on": add_days(today_on, chance.near([0, limits["rebook_within_days"]])),
            "reason": chance.choice(END_REASONS),
        }
        told = {
            key: part
            for key, part in needs.items()
            if chance.holds(0.95 if key in ACTS[name].needs else 0.2)
        }
        role = "clinician" if chance.holds(0.6) else "booking"
        return {"visit": visit, "act": {"act": name, "role": role, "today_on": today_on, **told}}

    return draw


def prepare_draw_outlook(rule_book: RuleBook) -> Callable[[Chance], dict[str, Any]]:
    """Return what draws a visit to be looked at."""
    limits, _ = read_course_limits(rule_book)

    def draw(chance: Chance) -> dict[str, Any]:
        today_on = add_days("2026-01-01", chance.randrange(900))
        visit = _draw_visit(today_on, limits, chance)
        return {"visit": visit, "role": chance.choice(ROLES), "today_on": today_on}

    return draw


def _draw_visit(today_on: str, limits: dict[str, int], chance: Chance) -> dict[str, Any]:
    after = chance.choice((0, 7, 14))
    # Late, due, or so far off that nobody looks for a place yet.
    late = -limits["late_days_to_clinician"] - after
    target_on = add_days(today_on, chance.near([late, 0, limits["book_ahead_days"]]))
    latest_on = add_days(target_on, after)
    window = {
        "earliest_on": add_days(target_on, -chance.choice((0, 7, 14))),
        "target_on": target_on,
        "latest_on": latest_on if chance.holds(0.97) else add_days(target_on, -1),
    }
    return {
        "status": chance.choice(_STATUSES),
        **chance.maybe("cancelled_by", chance.choice(("patient", "unit")), 0.8),
        **chance.maybe("elsewhere", {"on": today_on, "place": "Unit by the sea"}, 0.2),
        **chance.maybe("ended_because", chance.choice(END_REASONS), 0.2),
        **chance.maybe("owner_role", chance.choice(ROLES), 0.8),
        **chance.maybe("owner", chance.choice(("staff/s-1", "staff/s-2")), 0.5),
        **chance.maybe("act_on", add_days(today_on, chance.near([0, 7])), 0.8),
        **chance.maybe("urgency", chance.near([limits["most_urgency"]]), 0.5),
        **chance.maybe("window", window, 0.9),
        **chance.maybe("booked_on", add_days(today_on, chance.near([0])), 0.7),
        **chance.maybe("no_shows", chance.near([2]), 0.5),
        **chance.maybe("failed_tries", chance.near([2]), 0.4),
    }
