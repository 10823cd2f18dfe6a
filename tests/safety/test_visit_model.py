"""Every path of a visit through the table of acts: no end without a clinician, none in silence.

The walk takes every act by both roles from every visit that was reached, to a fixed depth. Days
advance with each act, so that windows close, owners' days pass and limits are crossed on the way.
"""

import itertools
import json
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from api.clinical_rules.civil_date import add_days
from api.clinical_rules.errors import CalculationRefusedError, ClinicalRuleError
from api.clinical_rules.visit_course import look_at_visit, take_visit_act
from api.clinical_rules.visit_course_table import (
    ACTS,
    END_REASONS,
    ENDED,
    NONE,
    ROLES,
    STATES,
    TO_DO,
    TOOK_PLACE,
)
from tests.unit.api.twin_engine import answer_here, answer_there, packaged_rule_book, write_answer

BOOK = packaged_rule_book()
START = "2026-05-04"
DEPTH = 6
# Each act comes as many days after the one before: at once, within the limits, past all of them.
STEPS = (0, 9, 40)
WINDOW = {"earliest_on": "2026-05-18", "target_on": "2026-06-01", "latest_on": "2026-06-15"}
FINAL = (ENDED,)
# The walk's own book of who may do what, written from the hazards and not from the table.
CLINICIANS_ALONE = {"plan", "end", "reopen"}


def _acts(today_on: str) -> Iterator[dict[str, Any]]:
    """Yield every act by both roles, each with all that any act needs."""
    for name in ACTS:
        for role in ROLES:
            choices = ROLES if name in ("plan", "hand-over") else ROLES[:1]
            cancellers = ("patient", "unit") if name == "cancel" else ("patient",)
            for holder, by in itertools.product(choices, cancellers):
                yield {
                    "act": name,
                    "role": role,
                    "today_on": today_on,
                    "day": today_on,
                    "because": "Said so",
                    "cancelled_by": by,
                    "place": "Unit by the sea",
                    "act_on": add_days(today_on, 7),
                    "reason": "declined",
                    "owner_role": holder,
                }


def _apply(visit: dict[str, Any], act: dict[str, Any], answer: dict[str, Any]) -> dict[str, Any]:
    """Return a visit as the record holds it once the act is saved, its counts kept up."""
    after = {**visit, **answer["set"]}
    if act["act"] in ("book", "move"):
        after["booked_on"] = act["day"]
    if act["act"] == "no-show":
        # What an act counts is whether a limit is reached; more tells nothing new.
        after["no_shows"] = min(visit.get("no_shows", 0) + 1, 3)
    return {key: part for key, part in after.items() if part is not None}


def _walk() -> Iterator[tuple[dict[str, Any], dict[str, Any], dict[str, Any], dict[str, Any]]]:
    """Yield each step there is: visit before, act, answer, visit after; each visit once a day."""
    reached: dict[str, tuple[dict[str, Any], str]] = {}
    first = {"status": NONE, "window": WINDOW}
    edge = [(first, START)]
    for _ in range(DEPTH):
        further: list[tuple[dict[str, Any], str]] = []
        for visit, on in edge:
            for days in STEPS:
                today_on = add_days(on, days)
                for act in _acts(today_on):
                    try:
                        answer = take_visit_act({"visit": visit, "act": act}, BOOK)
                    except ClinicalRuleError:
                        continue
                    after = _apply(visit, act, answer)
                    yield visit, act, answer, after
                    key = json.dumps([sorted(after.items(), key=str), today_on])
                    if key not in reached:
                        reached[key] = (after, today_on)
                        further.append((after, today_on))
        edge = _thin(further)


def _thin(visits: list[tuple[dict[str, Any], str]]) -> list[tuple[dict[str, Any], str]]:
    """Keep one visit of each kind that the rules can tell apart, measured from its own day."""
    kept: dict[str, tuple[dict[str, Any], str]] = {}
    for visit, on in visits:
        told = {
            "status": visit["status"],
            "by": visit.get("cancelled_by"),
            "elsewhere": "elsewhere" in visit,
            "owner_role": visit.get("owner_role"),
            "acts": visit.get("act_on", "") >= on,
            "booked": visit.get("booked_on", "") >= on,
            "missed": visit.get("no_shows", 0),
            "urgency": visit.get("urgency", 0),
            "late": on > add_days(WINDOW["latest_on"], 14),
            "inside": WINDOW["earliest_on"] <= on <= WINDOW["latest_on"],
            "target": on >= WINDOW["target_on"],
        }
        kept.setdefault(json.dumps(told), (visit, on))
    return list(kept.values())


@pytest.fixture(scope="module")
def steps() -> list[tuple[dict[str, Any], dict[str, Any], dict[str, Any], dict[str, Any]]]:
    return list(_walk())


def test_no_path_of_a_visit_loses_owner_or_day(steps):
    """[HAZ-43] [CV5] [CV7] Every path of the table to a fixed depth, by both roles.

    Planted bugs that this caught, one at a time: a no-show that drops the owner's role, a
    cancellation that leaves `ended`, a booking that keeps the day on which somebody was to book,
    and a visit escalated to nobody's day.
    """
    seen = set()
    for visit, act, answer, after in steps:
        seen.add(answer["state"])
        if answer["state"] in FINAL:
            continue
        assert after["owner_role"] in ROLES, (visit, act)
        assert after["act_on"] >= act["today_on"], (visit, act)
        assert answer["next"] == {"owner_role": after["owner_role"], "act_on": after["act_on"]}
    assert seen == set(STATES) - {NONE}
    assert len(steps) > 3_000


def test_only_a_clinician_ends_a_visit_and_says_why(steps):
    """[HAZ-45] [CV3] [CV7] Planted bugs that this caught: an end that either role may do, and an
    end that records no reason.
    """
    ends = 0
    for visit, act, answer, after in steps:
        if act["act"] in CLINICIANS_ALONE:
            assert act["role"] == "clinician", (visit, act)
        if answer["state"] in FINAL:
            ends += 1
            assert act["act"] == "end"
            assert after["ended_because"] in END_REASONS
            assert answer["next"] is None
        else:
            assert "ended_because" not in after, (visit, act)
    assert ends > 100


def test_from_every_visit_that_was_reached_a_role_can_go_on(steps):
    """[HAZ-43] No dead end: the owner of a visit that is to be done always has an act to do.

    Planted bug that this caught: a cancelled visit from which nothing could be booked.
    """
    for _, act, answer, after in steps:
        if answer["state"] not in TO_DO:
            continue
        look = {"visit": after, "role": after["owner_role"], "today_on": act["today_on"]}
        offered = {one["act"] for one in look_at_visit(look, BOOK)["acts"]}
        assert offered & {"book", "move"}, after
        assert "came" in offered, after
        assert "escalate" in offered, after


def test_who_stayed_away_twice_is_a_clinicians_until_a_clinician_gives_it_back(steps):
    """[HAZ-43] [CV3] [CV8] Planted bugs that this caught: a second miss that stays the desk's, and
    a desk that asks to book what a clinician holds.
    """
    taken = 0
    for visit, act, answer, after in steps:
        if act["act"] == "no-show" and visit.get("no_shows", 0) + 1 >= 2:
            assert after["owner_role"] == "clinician", (visit, act)
            taken += 1
        was_clinicians = visit.get("owner_role") == "clinician"
        if was_clinicians and answer["state"] not in FINAL and act["role"] == "booking":
            assert after["owner_role"] == "clinician", (visit, act)
    assert taken > 20


def test_urgency_rises_with_each_miss_and_never_falls(steps):
    """[HAZ-43] [CV6] Planted bug that this caught: a booking that sets the urgency back to 0."""
    rises = 0
    for visit, act, _, after in steps:
        before, now = visit.get("urgency", 0), after.get("urgency", 0)
        assert now >= before
        if act["act"] == "no-show":
            assert now == min(before + 1, 3)
            rises += now > before
    assert rises > 20


def test_the_other_engine_walks_the_same_paths(steps):
    """[HAZ-43] Byte for byte, refusals included: each visit reached, with every act on it."""
    asked = [
        {"visit": after, "act": act}
        for _, done, _, after in steps[::23]
        for act in _acts(add_days(done["today_on"], 9))
    ]
    here = [write_answer(answer_here("visit-act", one, BOOK)) for one in asked]

    assert here == answer_there("visit-act", asked)
    assert sum("refused" in one for one in here) > 500


def test_an_end_by_the_desk_is_refused_with_what_to_do():
    """[HAZ-45]"""
    for status in ("planned", "to-book", "booked", "no-show", "cancelled", "attended"):
        act = {"act": "end", "role": "booking", "today_on": START, "reason": "died"}
        with pytest.raises(CalculationRefusedError, match="Escalate the visit to a clinician"):
            take_visit_act({"visit": {"status": status}, "act": act}, BOOK)


STATUS_OF = ("planned", "to-book", "booked", "no-show", "cancelled", "attended")
DAYS = st.integers(min_value=-400, max_value=400).map(lambda days: add_days("2026-06-01", days))
WORDS = st.text(max_size=8)


@settings(max_examples=400, deadline=None)
@given(
    status=st.sampled_from(STATUS_OF),
    owner_role=st.sampled_from((*ROLES, None)),
    urgency=st.integers(0, 9),
    counts=st.tuples(st.integers(0, 4), st.integers(0, 4)),
    days=st.tuples(DAYS, DAYS, DAYS, DAYS),
    told=st.fixed_dictionaries(
        {"act": st.sampled_from(list(ACTS)), "role": st.sampled_from(ROLES)},
        optional={
            "because": WORDS,
            "place": WORDS,
            "cancelled_by": st.sampled_from(("patient", "unit")),
            "owner_role": st.sampled_from(ROLES),
            "reason": st.sampled_from(END_REASONS),
        },
    ),
)
def test_whatever_is_asked_an_act_is_refused_or_leaves_owner_and_day(
    status, owner_role, urgency, counts, days, told
):
    """[HAZ-43] [HAZ-45] [CV5] Planted bug that this caught: a hand-over to a day in the past."""
    today_on, day, act_on, latest_on = days
    visit = {
        "status": status,
        **({"owner_role": owner_role} if owner_role else {}),
        "urgency": urgency,
        "no_shows": counts[0],
        "failed_tries": counts[1],
        "window": {"earliest_on": latest_on, "target_on": latest_on, "latest_on": latest_on},
    }
    act = {**told, "today_on": today_on, "day": day, "act_on": act_on}
    try:
        answer = take_visit_act({"visit": visit, "act": act}, BOOK)
    except ClinicalRuleError:
        return
    if answer["state"] in FINAL:
        assert (act["act"], act["role"]) == ("end", "clinician")
        return
    assert answer["next"]["owner_role"] in ROLES
    assert answer["next"]["act_on"] >= today_on
    assert answer["state"] in (*TO_DO, *TOOK_PLACE)
