"""The judgement of one treated case by the definitions of outcomes. Pure. Rules OC.

A case that cannot be judged is missing; it is counted as such and never as "did not happen".
"""

from collections.abc import Iterable, Sequence
from typing import Literal

import msgspec

from api.clinical_rules.civil_date import days_between
from api.outcomes.definitions import Definition, EventKind
from api.outcomes.proportions import OutcomeError
from api.outcomes.survival import Spell

Verdict = Literal["happened", "did-not", "missing", "not-due"]
DIED: EventKind = "death"
BLED: EventKind = "rebleed"


class Look(msgspec.Struct, frozen=True):
    """A look by ultrasound at the treated varix.

    Its `flow` is "yes", "no" or "not-seen"; "" where two answers stand.
    """

    on: str
    flow: str


class Event(msgspec.Struct, frozen=True, kw_only=True):
    """What happened to the patient after the treatment.

    Parameters
    ----------
    source : str
        Where a bleed came from, "" where nobody knows.
    planned : bool or None
        Of a reintervention, None where nobody said.
    """

    kind: EventKind
    on: str
    source: str = ""
    planned: bool | None = None


class Episode(msgspec.Struct, frozen=True, kw_only=True):
    """One treated case as the statistics take it; no name, and days only.

    Parameters
    ----------
    seen_on : str
        The last day of which something of the patient is known.
    delivered : bool or None
        What was planned was put into the target, None where nobody said.
    flow_at_end : str
        "none", "reduced" or "unchanged"; "" where nobody looked.
    window_days : int
        The longest time of an outcome that is over.
    asked_on : str
        The last day on which somebody asked whether it had bled; "" where nobody ever did.
    unsure : frozenset of str
        "look", or kinds of events, of which something is told that no day can be given to.
    unsaid : frozenset of str
        Kinds of events of which it is told only where one happened, or told in contradiction:
        whatever is told of one counts for nothing.
    """

    unit: str
    treated_on: str
    seen_on: str
    window_days: int
    asked_on: str = ""
    delivered: bool | None = None
    flow_at_end: str = ""
    looks: tuple[Look, ...] = ()
    events: tuple[Event, ...] = ()
    unsure: frozenset[str] = frozenset()
    unsaid: frozenset[str] = frozenset()


class OutcomeCount(msgspec.Struct, frozen=True, kw_only=True):
    """In how many cases of a unit an outcome was seen, of how many; who is missing or not due."""

    unit: str
    outcome: str
    happened: int
    of: int
    missing: int
    not_due: int


def judge_episode(episode: Episode, by: Definition) -> Verdict:
    """Return whether an outcome happened in a case, or that it is not told (OC1-OC5, OC12)."""
    if by.fact == "delivered":
        return _said(episode.delivered)
    if by.fact == "flow_at_end":
        return _said(episode.flow_at_end == "none" if episode.flow_at_end else None)
    if by.fact == "look":
        # The one without a day may be the last.
        if "look" in episode.unsure:
            return "missing"
        seen = [
            one
            for one in sorted(episode.looks, key=lambda one: one.on)
            if one.flow != "not-seen" and _is_within(_day(episode, one.on), by)
        ]
        return _said(seen[-1].flow == "no" if seen and seen[-1].flow else None)
    if by.until_day is not None and episode.window_days < by.until_day:
        # Whatever happened: else young cases would only ever count where something did.
        return "not-due"
    if by.event in episode.unsaid:
        return "missing"
    found = [_fits(one, by) for one in _events_within(episode, by)]
    if True in found:
        return "happened"
    if None in found or _is_unsure(episode, by):
        return "missing"
    return "did-not" if _is_watched(episode, by) else "missing"


def count_outcome(episodes: Iterable[Episode], by: Definition) -> list[OutcomeCount]:
    """Return the counts of each unit, in the order in which units come first."""
    verdicts: dict[str, list[Verdict]] = {}
    for one in episodes:
        verdicts.setdefault(one.unit, []).append(judge_episode(one, by))
    return [
        OutcomeCount(
            unit=unit,
            outcome=by.outcome,
            happened=held.count("happened"),
            of=held.count("happened") + held.count("did-not"),
            missing=held.count("missing"),
            not_due=held.count("not-due"),
        )
        for unit, held in verdicts.items()
    ]


def follow_outcome(episodes: Iterable[Episode], by: Definition) -> list[Spell]:
    """Return how long each case was watched for an event, and what ended it (OC6).

    The event itself, or death, which competes with it; a case seen no longer is censored on the
    day it was seen last, and one of which an event has no day on the first. Of a bleed, that day
    is the one on which somebody last asked for it, also for who died long after (OC18). Whether
    the source of a bleed is known does not shorten a spell: one of unknown source is told as
    `unknown`.

    Raises
    ------
    OutcomeError
        The outcome is no event: no time belongs to it.
    """
    if by.fact != "event" or by.event is None:
        message = f"{by.outcome} is no event over time. Count it, or name an event."
        raise OutcomeError(message)
    return [_spell(one, by) for one in episodes]


def _said(answer: bool | None) -> Verdict:
    if answer is None:
        return "missing"
    return "happened" if answer else "did-not"


def _day(episode: Episode, on: str) -> int:
    return days_between(episode.treated_on, on)


def _is_within(day: int, by: Definition) -> bool:
    return by.from_day <= day and _is_before_end(day, by)


def _is_before_end(day: int, by: Definition) -> bool:
    return by.until_day is None or day <= by.until_day


def _events_within(episode: Episode, by: Definition) -> Sequence[Event]:
    return [
        one
        for one in episode.events
        if one.kind == by.event and _is_within(_day(episode, one.on), by)
    ]


def _fits(event: Event, by: Definition) -> bool | None:
    """Say whether an event is the one meant, None where what it turns on is not known."""
    if by.sources and not event.source:
        return None
    if by.sources and event.source not in by.sources:
        return False
    if by.planned is not None and event.planned is None:
        return None
    return by.planned is None or event.planned is by.planned


def _is_watched(episode: Episode, by: Definition) -> bool:
    """Say whether the case was seen until the end of the time, or nothing more can happen in it.

    A death after that end says nothing of the time between: nobody asked.
    """
    if any(_is_before_end(day, by) for day in _ending_deaths(episode, by)):
        return True
    return by.watched_until is not None and _watched(episode, by) >= by.watched_until


def _ending_deaths(episode: Episode, by: Definition) -> list[int]:
    """Return the days of death that end the watch: of a bleed, if asked for shortly before (OC18).

    Whom nobody had asked for long may have bled before the death.
    """
    deaths = [_day(episode, one.on) for one in episode.events if one.kind == DIED]
    most = by.asked_before_death_days
    return [day for day in deaths if most is None or day - _watched(episode, by) <= most]


def _watched(episode: Episode, by: Definition) -> int:
    """Return the last day of which it is known whether the event came.

    Who was seen and not asked may have bled elsewhere.
    """
    on = (episode.asked_on or episode.treated_on) if by.event == BLED else episode.seen_on
    return max(_day(episode, on), 0)


def _is_unsure(episode: Episode, by: Definition) -> bool:
    """Say whether something told without its day may be the event.

    A death in doubt is not one of the time after which the patient was seen.
    """
    if by.event not in episode.unsure:
        return False
    is_over = by.watched_until is not None and _watched(episode, by) >= by.watched_until
    return not (by.event == DIED and is_over)


def _spell(episode: Episode, by: Definition) -> Spell:
    if by.event in episode.unsaid:
        return Spell(0)
    ends = [
        (_day(episode, one.on), by.outcome if _fits(one, by) else "unknown")
        for one in _events_within(episode, by)
        if _fits(one, by) is not False
    ]
    is_unsure = _is_unsure(episode, by)
    if by.event != DIED and not is_unsure:
        # Who bled on a day that nobody knows may have done so before the death.
        ends += [(day, DIED) for day in _ending_deaths(episode, by)]
    last = 0 if is_unsure else _watched(episode, by)
    if by.until_day is not None:
        last = min(last, by.until_day)
    # On one day the event itself comes before the death that may have followed from it.
    first = min(ends, key=lambda end: (end[0], end[1] == DIED), default=None)
    if first is None or (by.until_day is not None and first[0] > by.until_day):
        return Spell(last)
    return Spell(max(first[0], 0), first[1])
