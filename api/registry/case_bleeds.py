"""Bleeds after one treatment: what kind each was, on which day, and from where. Pure. Rule RG15."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

from api.documents.shown_case import ShownCase, ShownRecord, parts_of, text_in
from api.registry.case_mix import Named
from api.registry.case_treatment import ACTS

REBLEED = "rebleed"
# Somebody looked for the source and did not find it: another entry may know more.
_NOT_FOUND = "unknown"
_DAY = "on"


def join_facts(event: ShownRecord) -> tuple[dict[str, Any], list[str]]:
    """Return the facts of an adverse event with one answer, and the names of those with several.

    Each press on a tablet keeps its facts as a value of its own beside the others.
    """
    answers: dict[str, list[Any]] = {}
    for held in event.held.get("facts", [event.parts("facts")]):
        for name, value in parts_of(held).items():
            if value is not None and value not in answers.setdefault(name, []):
                answers[name].append(value)
    torn = sorted(name for name, found in answers.items() if len(found) > 1)
    return {name: found[0] for name, found in answers.items() if len(found) == 1}, torn


def find_event_day(case: ShownCase, event: ShownRecord) -> str:
    """Return the day of an adverse event: as said afterwards, else of its instant; "" of two."""
    facts, torn = join_facts(event)
    if _DAY in torn:
        return ""
    at = "" if "at" in event.held or "at" in event.conflicts else event.text("at")
    return text_in(facts, _DAY) or case.civil_date(at)


def judge_bleed(case: ShownCase, event: ShownRecord, treated_on: str) -> str | None:
    """Say what a bleed is: before the first act none of ours, up to the last one no rebleed (RG6).

    One known by its day alone is told as a rebleed on any day from the treatment on; one of an
    earlier record on the day of the treatment itself as an event of the procedure.
    """
    at, on = event.text("at"), find_event_day(case, event)
    if on and on != case.civil_date(at):
        if on < treated_on:
            return None
        return REBLEED if at or on > treated_on else "other"
    times = [_instant(one.text("at")) for one in case.records if one.kind in ACTS]
    acts = sorted(one for one in times if one is not None)
    said = _instant(at)
    if said is None or not acts:
        return REBLEED
    if said < acts[0]:
        return None
    return REBLEED if said > acts[-1] else "other"


def tell_source(event: ShownRecord) -> tuple[dict[str, Any], list[str]]:
    """Return the source of a bleed as a field of the network, or that two are told."""
    if "bleed_source" in event.held or "bleed_source" in event.conflicts:
        return {}, ["source"]
    source = event.text("bleed_source")
    return ({"source": source} if source else {}), []


def tell_visit_bleeds(results: Iterable[ShownRecord]) -> list[Named]:
    """Return the bleeds that were told at visits; two answers of one visit tell nothing.

    That they bled and not when is an event without a day: it is missing, and no day is made up.
    """
    found: list[Named] = []
    for one in results:
        name = f"{one.record} bleed"
        if "bled" in one.conflicts:
            found.append((name, {}, ["event", "happened_on", "source"]))
            continue
        said = one.parts("bled")
        if text_in(said, "answer") != "yes":
            continue
        on, source = text_in(said, _DAY), text_in(said, "source")
        fields = {
            "event": REBLEED,
            **({"happened_on": on} if on else {}),
            **({"source": source} if source else {}),
        }
        found.append((name, fields, [] if on else ["happened_on"]))
    return found


def join_bleeds(events: Sequence[Named]) -> list[Named]:
    """Return the events with rebleeds of one day as one: a bleed is told at several places."""
    found: dict[str, Named] = {}
    for name, fields, doubts in events:
        is_dated = fields.get("event") == REBLEED and "happened_on" in fields
        key = f"on {fields['happened_on']}" if is_dated else name
        found[key] = _join(found[key], fields, doubts) if key in found else (name, fields, doubts)
    return list(found.values())


def _join(one: Named, other: Mapping[str, Any], doubts: Sequence[str]) -> Named:
    name, fields, in_doubt = one
    sources = {of["source"] for of in (fields, other) if of.get("source", _NOT_FOUND) != _NOT_FOUND}
    together = {**other, **fields}
    if sources:
        together["source"] = min(sources)
    said = sorted({*in_doubt, *doubts, *(["source"] if len(sources) > 1 else [])})
    return name, {key: value for key, value in together.items() if key not in said}, said


def _instant(at: str) -> datetime | None:
    try:
        found = datetime.fromisoformat(at)
    except ValueError:
        return None
    return found if found.tzinfo is not None else None
