"""What happened after one treatment: looks and events. Pure."""

from collections.abc import Sequence
from typing import Any

from api.clinical_rules.adverse_events import grade_adverse_event
from api.clinical_rules.civil_date import days_between
from api.clinical_rules.errors import ClinicalRuleError
from api.clinical_rules.rule_book import RuleBook
from api.documents.shown_case import ShownCase, ShownRecord
from api.registry.case_bleeds import (
    REBLEED,
    find_event_day,
    join_bleeds,
    join_facts,
    judge_bleed,
    tell_source,
    tell_visit_bleeds,
)
from api.registry.case_mix import Named
from api.registry.case_treatment import find_treated_on
from api.registry.case_watch import find_results, find_seen_days
from api.registry.told_case import ToldCase

_ACUTE = "acute-bleed"
_REINTERVENTION = "reintervention"
# Time frame of one acute bleed (Baveno consensus, as the outcomes take it; from memory).
_SAME_BLEED_DAYS = 5
_FLOWS = ("yes", "no", "not-seen")


def tell_looks(told: ToldCase) -> list[Named]:
    """Return the looks by ultrasound at the treated varix (RG5)."""
    found: list[Named] = []
    for one in find_results(told):
        flow, gone = one.text("doppler_flow"), one.text("obliterated")
        if flow == "" and gone in ("yes", "no"):
            # A result taken over from an earlier record says only whether it is obliterated.
            flow = "no" if gone == "yes" else "yes"
        doubts = [name for name in ("on", "doppler_flow", "obliterated") if name in one.conflicts]
        # Flow in a varix that is gone, or none in one that is not: one of the two is a slip.
        is_doubt = bool({"doppler_flow", "obliterated"} & set(doubts)) or (
            flow == gone and gone in ("yes", "no")
        )
        if flow not in _FLOWS and not is_doubt:
            continue
        days = {"looked_on": one.text("on")} if one.text("on") else {}
        fields = {**days, **({} if is_doubt else {"flow": flow})}
        named = [*(["looked_on"] if "on" in doubts else []), *(["flow"] if is_doubt else [])]
        found.append((one.record, fields, named))
    return found


def tell_events(
    told: ToldCase,
    later: Sequence[tuple[ToldCase, str]],
    planned_visits: frozenset[str],
    book: RuleBook,
) -> list[Named]:
    """Return what happened after the treatment (RG6, RG15).

    Parameters
    ----------
    later : sequence of (ToldCase, str)
        Later cases of the same patient by their day of treatment; "" of one that may be later.
    planned_visits : frozenset of str
        Visits of the follow-up plan that are further sessions of treatment.
    """
    found = _tell_own_events(told, find_treated_on(told), book)
    for case, on in later:
        # A bleed told under a later case is one after this treatment too.
        found += [
            (f"{case.record} {name}", fields, doubts)
            for name, fields, doubts in _tell_own_events(case, on, book)
            if fields.get("event", REBLEED) == REBLEED
        ]
    planned_on = _find_planned_days([told, *(case for case, _ in later)], planned_visits)
    for case, on in later:
        day, doubts = ({"happened_on": on}, []) if on else ({}, ["happened_on"])
        is_acute = case.shown.itself.text("indication") == _ACUTE
        planned = {"planned": False} if is_acute else {"planned": True} if on in planned_on else {}
        found.append((case.record, {"event": _REINTERVENTION, **day, **planned}, doubts))
        if is_acute and not _is_told_bleed(found, on):
            found.append((f"{case.record} bleed", {"event": REBLEED, **day}, doubts))
    found += _tell_retreatments(told, {on for _, on in later}, planned_on)
    return join_bleeds(found)


def _tell_own_events(told: ToldCase, treated_on: str, book: RuleBook) -> list[Named]:
    """Return what stands under the case itself: adverse events, and bleeds told at visits."""
    events = [
        event
        for one in told.shown.of_kind("complication")
        if (event := _read_complication(told.shown, one, treated_on, book)) is not None
    ]
    return events + tell_visit_bleeds(find_results(told))


def _find_planned_days(cases: Sequence[ToldCase], planned_visits: frozenset[str]) -> set[str]:
    """Return the days of further sessions that the plan of follow-up holds."""
    found = set()
    for told in cases:
        plans = {one.record: one.text("plan_visit") for one in told.shown.visits}
        days = find_seen_days(told) | {
            one.text("visit"): one.text("on") for one in find_results(told) if one.text("on")
        }
        found |= {day for visit, day in days.items() if plans.get(visit, "") in planned_visits}
    return found


def _is_told_bleed(found: Sequence[Named], on: str) -> bool:
    """Say whether a bleed is told that a treatment on a day may have been for."""
    return any(
        0 <= days_between(fields["happened_on"], on) <= _SAME_BLEED_DAYS
        for _, fields, _ in found
        if on and fields.get("event") == REBLEED and "happened_on" in fields
    )


def _tell_retreatments(told: ToldCase, later: set[str], planned_on: set[str]) -> list[Named]:
    """Return the further treatments told at visits, but those that have a case of their own."""
    found: list[Named] = []
    for one in find_results(told):
        on = one.text("on")
        if on in later:
            continue
        if "retreated" in one.conflicts:
            found.append((one.record, {}, ["event", "happened_on"]))
        elif one.shows.get("retreated") is True:
            day = {"happened_on": on} if on else {}
            planned = {"planned": True} if on in planned_on else {}
            found.append((one.record, {"event": _REINTERVENTION, **day, **planned}, []))
    return found


def _read_complication(
    case: ShownCase, one: ShownRecord, treated_on: str, book: RuleBook
) -> Named | None:
    is_torn = "what" in one.conflicts or "what" in one.held
    what = one.text("what") if not is_torn else ""
    if what in ("none", "") and not is_torn:
        return None
    fields: dict[str, Any] = {}
    doubts = ["event"] if is_torn else []
    if what == "bleeding":
        event = judge_bleed(case, one, treated_on)
        if event is None:
            return None
        source, two_sources = tell_source(one)
        fields |= {"event": event, **source}
        doubts += two_sources
    elif what:
        fields["event"] = "embolism" if what == "embolism" else "other"
    day = find_event_day(case, one)
    if day:
        fields["happened_on"] = day
    grade = _grade(one, book)
    if not day:
        doubts.append("happened_on")
    return one.record, {**fields, **({"grade": grade} if grade else {})}, doubts


def _grade(one: ShownRecord, book: RuleBook) -> str:
    """Return the AGREE grade of an event, "" where a fact has two answers or none is known."""
    facts, torn = join_facts(one)
    facts.pop("on", None)
    if not facts or set(torn) - {"on"}:
        return ""
    try:
        answer: Any = grade_adverse_event(facts, book)
    except ClinicalRuleError:
        return ""
    return str(answer["agree"]["grade"])
