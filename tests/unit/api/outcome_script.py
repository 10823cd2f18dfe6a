"""Outcomes reckoned anew from records as dictionaries: no line is shared with the program (DM-09).

Written from RULES.md (OC) and the sentences of the definitions; days are `datetime.date`.
"""

import datetime
import math
from collections import Counter

GASTRIC = {"gastric-varix", "adhesive-extrusion", "treatment-ulcer"}
YEAR = 365


def day(text):
    """Return a civil date, None where there is none."""
    return datetime.date.fromisoformat(text) if text else None


def gather(records):
    """Return the treated cases, each with its patient, looks and events."""
    held = {record: (unit, fields) for unit, record, fields in records}
    of_case = {}
    for kind, (writer, other) in held.items():
        of_case.setdefault((other.get("case"), writer), []).append((kind.split("/")[0], other))
    cases = []
    for record, (unit, fields) in held.items():
        if not record.startswith("registry_case/") or not fields.get("treated_on"):
            continue
        parts = of_case.get((record, unit), [])
        cases.append(
            {
                "record": record,
                "unit": unit,
                "treated": day(fields["treated_on"]),
                "fields": fields,
                "person": dict(held.get(fields["patient"], ("", {}))[1]),
                "looks": [one for kind, one in parts if kind == "registry_look"],
                "events": [one for kind, one in parts if kind == "registry_event"],
            }
        )
    for case in cases:
        person = case["person"]
        own = [one["treated"] for one in cases if same_patient(one, case)]
        if person.get("died_on") and day(person["died_on"]) < max(own):
            person["doubts"] = [*person.get("doubts", ()), "died_on", "deaths"]
            person["died_on"] = None
    return cases


def same_patient(one, other):
    return one["fields"]["patient"] == other["fields"]["patient"]


def after(case, text):
    """Return the days from the treatment to a date."""
    return (day(text) - case["treated"]).days


def last_seen(case):
    """Return the last day of which anything is known, in days."""
    known = [case["fields"].get("seen_on"), case["person"].get("died_on")]
    known += [case["fields"].get("asked_on")]
    known += [one.get("looked_on") for one in case["looks"]]
    known += [one.get("happened_on") for one in case["events"]]
    return max([0, *(after(case, one) for one in known if one)])


def last_known(case, kind):
    """Return until which day it is known whether an event came: of a bleed somebody has to ask."""
    if kind != "rebleed":
        return last_seen(case)
    asked = case["fields"].get("asked_on")
    return max(
        [0, *([after(case, asked)] if asked else []), *(on for on, _ in days_of(case, kind))]
    )


def died(case):
    """Return the day of death; None for nobody dead."""
    on = case["person"].get("died_on")
    return after(case, on) if on else None


def is_unclear(case, kind):
    """Say whether an event of a kind is told without a day, or may belong elsewhere."""
    if kind == "death":
        return "died_on" in case["person"].get("doubts", ())
    if "events" in case["fields"].get("doubts", ()):
        return True
    return any(
        one.get("event") is None or (one["event"] == kind and not one.get("happened_on"))
        for one in case["events"]
    )


def is_one_sided(case, kind):
    """Say whether nothing at all counts of a kind: told only where it happened, or two ways."""
    said = {*case["fields"].get("doubts", ()), *case["person"].get("doubts", ())}
    word = {"rebleed": "bleeds", "death": "deaths"}.get(kind, "adverse_events")
    return word in said


def days_of(case, kind):
    """Return the dated events of a kind as (days, event)."""
    if kind == "death":
        return [(died(case), {})] if died(case) is not None else []
    return [
        (after(case, one["happened_on"]), one)
        for one in case["events"]
        if one.get("event") == kind and one.get("happened_on")
    ]


def watch(case, kind, first, last, fits=lambda event: True):
    """Return True, False or None for an event within two days, both included.

    "not due" where the second of them is not over.
    """
    if (case["fields"].get("window_days") or 0) < last:
        return "not due"
    if is_one_sided(case, kind):
        return None
    answers = [fits(event) for on, event in days_of(case, kind) if first <= on <= last]
    if True in answers:
        return True
    # A visit at twelve months may come 30 days early.
    is_whole = last_known(case, kind) >= (335 if last == YEAR else last)
    if None in answers or (is_unclear(case, kind) and not (kind == "death" and is_whole)):
        return None
    died_before = died(case) is not None and died(case) <= last
    if kind == "rebleed" and last == YEAR:
        died_before = died_before and was_asked_before_death(case)
    return False if died_before or is_whole else None


def was_asked_before_death(case):
    """Say whether bleeding was asked for within the 30 days before the death."""
    return died(case) - last_known(case, "rebleed") <= 30


def source_known(event):
    source = event.get("source")
    return None if source in (None, "unknown") else source in GASTRIC


def was_unplanned(event):
    return None if event.get("planned") is None else not event["planned"]


def obliterated(case):
    """Return what the last look with a sight of the varix showed."""
    if "looks" in case["fields"].get("doubts", ()):
        return None
    if any(not one.get("looked_on") for one in case["looks"]):
        return None
    seen = [
        (after(case, one["looked_on"]), place, None if is_torn(one) else one["flow"])
        for place, one in enumerate(case["looks"])
        if (one.get("flow") in ("yes", "no") or is_torn(one)) and after(case, one["looked_on"]) >= 1
    ]
    flow = max(seen, key=lambda one: one[:2])[2] if seen else None
    return None if flow is None else flow == "no"


def is_torn(look):
    return "flow" in look.get("doubts", ())


def flow_gone(case):
    flow = case["fields"].get("flow_at_end")
    return None if flow is None else flow == "none"


JUDGES = {
    "technical_success": lambda case: case["fields"].get("delivered"),
    "flow_gone_at_end": flow_gone,
    "obliteration": obliterated,
    "early_rebleed": lambda case: watch(case, "rebleed", 0, 5),
    "late_rebleed": lambda case: watch(case, "rebleed", 6, YEAR),
    "late_gastric_rebleed": lambda case: watch(case, "rebleed", 6, YEAR, source_known),
    "reintervention": lambda case: watch(case, "reintervention", 1, YEAR),
    "unplanned_reintervention": lambda case: watch(case, "reintervention", 1, YEAR, was_unplanned),
    "embolism": lambda case: watch(case, "embolism", 0, 30),
    "death_30_days": lambda case: watch(case, "death", 0, 30),
    "death_6_weeks": lambda case: watch(case, "death", 0, 42),
}


def count(cases, outcome):
    """Return how often it happened, did not, and is not known."""
    answers = Counter(JUDGES[outcome](case) for case in cases)
    return answers[True], answers[False], answers[None]


def not_due(cases, outcome):
    """Return of how many the time is not over."""
    return sum(JUDGES[outcome](case) == "not due" for case in cases)


def wilson(happened, of):
    """Return the interval as the paper writes it, z = 1.959964."""
    z, share = 1.959963984540054, happened / of
    middle = (share + z * z / (2 * of)) / (1 + z * z / of)
    half = z / (1 + z * z / of) * math.sqrt(share * (1 - share) / of + z * z / (4 * of * of))
    return max(middle - half, 0.0), min(middle + half, 1.0)


def spell(case, kind):
    """Return (days, what ended it) until an event or death within a year."""
    if is_one_sided(case, kind):
        return 0, ""
    ends = [(on, 0, kind) for on, _ in days_of(case, kind) if 0 <= on <= YEAR]
    if died(case) is not None and died(case) <= YEAR:
        may_have_bled = is_unclear(case, kind) or not was_asked_before_death(case)
        if kind == "death" or not may_have_bled:
            ends.append((died(case), 1, "death"))
    if ends:
        on, _, what = min(ends)
        return on, what
    last = min(last_known(case, kind), YEAR)
    is_over = kind == "death" and last == YEAR
    return (0 if is_unclear(case, kind) and not is_over else last), ""


def kaplan_meier(spells):
    """Return the share free of any end after each day with one, by multiplying day by day."""
    share, found = 1.0, []
    for on in sorted({days for days, what in spells if what}):
        at_risk = sum(days >= on for days, _ in spells)
        share *= 1 - sum(days == on and what != "" for days, what in spells) / at_risk
        found.append((on, share))
    return found


def incidence(spells, cause):
    """Return the share whom a cause met first, after each day with any event."""
    free, share, found = 1.0, 0.0, []
    for on in sorted({days for days, what in spells if what}):
        at_risk = sum(days >= on for days, _ in spells)
        share += free * sum(one == (on, cause) for one in spells) / at_risk
        free *= 1 - sum(days == on and what != "" for days, what in spells) / at_risk
        found.append((on, share))
    return found


def first_source(case):
    """Return the source of the first bleed where that, and no death before it, ended the year."""
    if spell(case, "rebleed")[1] != "rebleed":
        return None
    first = min(on for on, _ in days_of(case, "rebleed") if on >= 0)
    told = [
        one.get("source")
        for on, one in days_of(case, "rebleed")
        if on == first and one.get("source") not in (None, "unknown")
    ]
    return min(told, default="unknown")


def sessions(cases):
    """Return, for each patient with a look without flow, the days of treatment until the first."""
    found = []
    for patient in dict.fromkeys(case["fields"]["patient"] for case in cases):
        own = [case for case in cases if case["fields"]["patient"] == patient]
        looks = [
            day(look["looked_on"])
            for case in own
            for look in case["looks"]
            if look.get("flow") == "no"
            and look.get("looked_on")
            and after(case, look["looked_on"]) > 0
        ]
        if looks:
            days = {case["treated"] for case in own}
            days |= {
                day(event["happened_on"])
                for case in own
                for event in case["events"]
                if event.get("event") == "reintervention" and event.get("happened_on")
            }
            found.append(sum(one <= min(looks) for one in days))
    return found


def quartiles(numbers):
    """Return lower quartile, median and upper quartile, the middle of two where they fall apart."""
    held = sorted(numbers)
    found = []
    for part in (0.25, 0.5, 0.75):
        place = len(held) * part
        if place == int(place):
            found.append((held[int(place) - 1] + held[int(place)]) / 2)
        else:
            found.append(held[int(place)])
    return tuple(found)


def child_class(case):
    points = case["fields"].get("child_pugh_points")
    return "" if points is None else "A" if points <= 6 else "B" if points <= 9 else "C"


def sums(cases, everyone, outcome, limit):
    """Return the risk-adjusted sum in the order of treatment; twice the odds are looked for."""

    def group(case):
        return case["fields"].get("indication", ""), child_class(case)

    known = [(group(case), JUDGES[outcome](case)) for case in everyone]
    known = [one for one in known if one[1] in (True, False)]
    mean = sum(answer for _, answer in known) / len(known)
    held, found = 0.0, []
    for case in sorted(cases, key=lambda case: (case["treated"], case["record"])):
        answer = JUDGES[outcome](case)
        if answer not in (True, False):
            continue
        alike = [one for name, one in known if name == group(case)]
        risk = (sum(alike) + 10 * mean) / (len(alike) + 10)
        weight = math.log((2 if answer else 1) / (1 - risk + 2 * risk))
        held = max(held + weight, 0.0)
        found.append(held)
        held = 0.0 if held >= limit else held
    return found
