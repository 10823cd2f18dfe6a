"""How long a patient was watched after one treatment: visits, windows and last days. Pure."""

from collections.abc import Mapping, Sequence
from typing import Any

from api.clinical_rules.civil_date import add_days, days_between, is_civil_date
from api.documents.shown_case import ShownRecord
from api.outcomes.definitions import packaged_definitions
from api.registry.case_bleeds import REBLEED, find_event_day
from api.registry.case_mix import Found
from api.registry.case_treatment import IMPORTED
from api.registry.told_case import ToldCase

# What ended for one of these reasons could not have been kept by anybody (FM9).
_NOT_COUNTED = ("died", "transferred", "not-needed", "case-retracted")
_DECIDING = ("status", "window", "booking", "ended_because", "elsewhere")
_ASKED = ("yes", "no")
_ENDED_ALIVE = ("transferred", "declined")


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


def find_alive_days(told: ToldCase) -> set[str]:
    """Return the days on which something was seen of the living patient, none after today.

    Looks, visits that took place, bleeds and other adverse events, and a follow-up that the
    patient declined or was transferred from.
    """
    results = find_results(told)
    events = [
        find_event_day(told.shown, one)
        for one in told.shown.of_kind("complication")
        if one.text("what") not in ("", "none")
    ]
    ended = [
        one.text("ended_on")
        for one in told.shown.visits
        if one.text("status") == "ended" and one.text("ended_because") in _ENDED_ALIVE
    ]
    days = [
        *(one.text("on") for one in results),
        *(one.text("bled", "on") for one in results),
        *find_seen_days(told).values(),
        *events,
        *ended,
    ]
    return {on for on in days if is_civil_date(on) and on <= told.shown.on}


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
            if is_about_bleeds(one):
                found.append(one.text("on") or seen.get(one.text("visit"), ""))
    return _find_last(found, treated_on, cases[0].shown.on)


def is_about_bleeds(result: ShownRecord) -> bool:
    """Say whether somebody asked at a visit whether it had bled, and was answered."""
    return "bled" not in result.conflicts and result.text("bled", "answer") in _ASKED


def _find_last(found: Sequence[str], first: str, last: str) -> str:
    return max((on for on in found if is_civil_date(on) and first <= on <= last), default="")
