"""What happened after one treatment: looks, events, and how long the patient was seen. Pure."""

from collections.abc import Mapping, Sequence
from typing import Any

from api.clinical_rules.adverse_events import grade_adverse_event
from api.clinical_rules.civil_date import add_days, days_between, is_civil_date
from api.clinical_rules.errors import ClinicalRuleError
from api.clinical_rules.rule_book import RuleBook
from api.documents.shown_case import ShownCase, ShownRecord
from api.outcomes.definitions import packaged_definitions
from api.registry.case_bleeds import (
    REBLEED,
    find_event_day,
    join_bleeds,
    join_facts,
    judge_bleed,
    tell_source,
    tell_visit_bleeds,
)
from api.registry.case_mix import Found, Named
from api.registry.case_treatment import IMPORTED, find_treated_on
from api.registry.told_case import ToldCase

# What ended for one of these reasons could not have been kept by anybody (FM9).
_NOT_COUNTED = ("died", "transferred", "not-needed", "case-retracted")
_DECIDING = ("status", "window", "booking", "ended_because", "elsewhere")
_ACUTE = "acute-bleed"
_REINTERVENTION = "reintervention"
# Time frame of one acute bleed (Baveno consensus, as the outcomes take it; from memory).
_SAME_BLEED_DAYS = 5
_ASKED = ("yes", "no")
_FLOWS = ("yes", "no", "not-seen")


def find_results(told: ToldCase) -> list[ShownRecord]:
    """Return the results of visits that took place; what a visit to be done again said is out."""
    visits = {one.record: one for one in told.visits}
    found = []
    for one in told.shown.of_kind("visit_result"):
        visit = visits.get(one.text("visit"))
        if visit is not None and (not visit.is_open or "status" in visit.conflicts):
            found.append(one)
    return found


def find_seen_days(told: ToldCase) -> dict[str, str]:
    """Return on which day each visit that took place did so; those of no known day are left out.

    The day of the result goes before the day booked. Where neither is told, a visit took place
    by the day it was meant for: that it was entered long after says nothing.
    """
    results = {one.text("visit"): one.text("on") for one in find_results(told)}
    found = {}
    for visit in told.visits:
        if visit.status != "attended" or "status" in visit.conflicts:
            continue
        known = visit.seen_on if visit.slot is not None or visit.is_elsewhere else None
        expected = [day for day in (visit.window.target_on, visit.seen_on) if day]
        day = results.get(visit.record) or known or min(expected, default="")
        if is_civil_date(day):
            found[visit.record] = day
    return found


def tell_looks(told: ToldCase) -> list[Named]:
    """Return the looks by ultrasound at the treated varix (RG5)."""
    found: list[Named] = []
    for one in find_results(told):
        flow, gone = one.text("doppler_flow"), one.text("obliterated")
        if flow == "" and gone in ("yes", "no"):
            # A result taken over from an earlier record says only whether it is obliterated.
            flow = "no" if gone == "yes" else "yes"
        doubts = [name for name in ("on", "doppler_flow", "obliterated") if name in one.conflicts]
        is_doubt = bool({"doppler_flow", "obliterated"} & set(doubts)) or (
            flow == "yes" and gone == "yes"
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


def count_windows(told: ToldCase, grace_days: int, delay: int = 0) -> Found:
    """Return how many windows of visits have passed, and how many were kept (FM2, FM9).

    One that is still open is not due, also where it is kept already: who did not come yet may.
    Where others read it, it is told so many days late (`date_shift.find_delay`).
    A case taken over from an earlier record has none: its visits were planned elsewhere.
    """
    if told.shown.itself.text(IMPORTED):
        return {}, []
    due, kept, in_doubt = 0, 0, False
    seen = find_seen_days(told)
    for visit in told.visits:
        if visit.status == "ended" and visit.ended_because in _NOT_COUNTED:
            continue
        if any(name in visit.conflicts for name in _DECIDING):
            in_doubt = True
            continue
        first_on, last_on = visit.window.earliest_on, visit.window.latest_on
        seen_on = seen.get(visit.record)
        if first_on is None or last_on is None:
            continue
        if add_days(last_on, grace_days + delay) >= told.shown.on:
            continue
        due += 1
        kept += seen_on is not None and first_on <= seen_on <= add_days(last_on, grace_days)
    if in_doubt:
        return {}, ["windows_due", "windows_kept"]
    return {"windows_due": due, "windows_kept": kept}, []


def find_window_days(treated_on: str, today: str, delay: int = 0) -> int:
    """Return the longest time of an outcome that is over today, 0 while none is (RG17).

    Where others read it, it is told so many days late (`date_shift.find_delay`).

    Nobody at a hub knows a true day: without it, who bled last week would count in the outcome
    of a year, and who did not would count only after that year.
    """
    since = days_between(treated_on, today) - delay
    return max((days for days in packaged_definitions().window_ends if since > days), default=0)


def find_seen_on(
    cases: Sequence[ToldCase], treated_on: str, days: Sequence[Mapping[str, Any]]
) -> str:
    """Return the last day of which something of the patient is known, never later than today.

    Parameters
    ----------
    cases : sequence of ToldCase
        The case itself, then later ones of the patient: who was seen for one was seen for all.
    days : sequence of mapping
        Looks and events of the case.
    """
    found = [treated_on]
    found += [str(one.get("happened_on") or one.get("looked_on") or "") for one in days]
    for told in cases:
        found.append(told.died_on)
        found += [one.text("on") for one in find_results(told)]
        found += find_seen_days(told).values()
        # Whose follow-up ended on a day that was given was still known of on it.
        ended = [one for one in told.shown.visits if one.text("status") == "ended"]
        found += [one.text("ended_on") for one in ended]
    return _find_last(found, treated_on, cases[0].shown.on)


def find_asked_on(
    cases: Sequence[ToldCase], treated_on: str, days: Sequence[Mapping[str, Any]]
) -> str:
    """Return the last day on which somebody asked whether it bled, or it did (RG18).

    Whom nobody asked may have bled elsewhere. On the day of the treatment it was seen.
    """
    found = [treated_on]
    found += [str(one.get("happened_on") or "") for one in days if one.get("event") == REBLEED]
    for told in cases:
        seen = find_seen_days(told)
        for one in find_results(told):
            if "bled" not in one.conflicts and one.text("bled", "answer") in _ASKED:
                found.append(one.text("on") or seen.get(one.text("visit"), ""))
    return _find_last(found, treated_on, cases[0].shown.on)


def has_unasked_events(told: ToldCase) -> bool:
    """Say whether a case was taken over from a file that says nothing of adverse events (RG18)."""
    said = (one.text("what") for one in told.shown.of_kind("complication"))
    return bool(told.shown.itself.text(IMPORTED)) and not any(
        one not in ("", "bleeding") for one in said
    )


def _find_last(found: Sequence[str], first: str, last: str) -> str:
    return max((on for on in found if is_civil_date(on) and first <= on <= last), default="")


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
