"""One row for each treated case: its mix, what the definitions say of it, its spells. Pure.

So that a network of a million cases is counted by its rows, and no record is looked at again.
"""

from collections.abc import Iterable, Sequence

import msgspec

from api.clinical_rules.civil_date import days_between
from api.outcomes.definitions import Definition, Definitions, EventKind
from api.outcomes.episodes import (
    BLED,
    DIED,
    Episode,
    Event,
    Look,
    Verdict,
    follow_outcome,
    judge_episode,
)
from api.outcomes.registry_rows import (
    DEATHS,
    EVENTS,
    LOOK,
    LOOKS,
    NO_ADVERSE_EVENTS,
    NO_BLEEDS,
    UNKNOWN_EVENT,
    CaseRow,
    PartRow,
    PatientRow,
)
from api.outcomes.survival import Spell

# What a case may be narrowed by; "" in a row is "not recorded".
MIX = (
    *("indication", "varix_class", "cause", "shunt", "child_class", "meld_band"),
    *("size_band", "technique", "adhesive_kind", "sex", "age_band"),
)
MARK_HAPPENED, MARK_NOT, MARK_MISSING, MARK_NOT_DUE = "1", "0", "-", "."
_MARKS: dict[Verdict, str] = {
    "happened": MARK_HAPPENED,
    "did-not": MARK_NOT,
    "missing": MARK_MISSING,
    "not-due": MARK_NOT_DUE,
}
# Death is told of the patient, not of a case.
_EVENTS: dict[str, EventKind] = {
    "rebleed": "rebleed",
    "reintervention": "reintervention",
    "embolism": "embolism",
}
NOBODY_KNOWS = "unknown"


class EpisodeRow(msgspec.Struct, frozen=True):
    """One case, in the order of the columns of its table.

    Parameters
    ----------
    verdicts : str
        One mark for each definition, in their order: "1" happened, "0" did not, "-" missing,
        "." not due yet.
    rebleed_days, rebleed_end : int, str
        The spell until the first bleed: "rebleed", "death", or "" where it is censored.
    death_days, death_end : int, str
        The same until death.
    source : str
        Where the first bleed within a year came from; "" where there was none.
    adhesive_ul : int or None
        0 where none was given.
    sessions : int or None
        Days of treatment up to the first look without flow, in the case of that look alone.
    """

    record: str
    unit: str
    patient: str
    treated_on: str
    month: str
    indication: str
    varix_class: str
    cause: str
    shunt: str
    child_class: str
    meld_band: str
    size_band: str
    technique: str
    adhesive_kind: str
    sex: str
    age_band: str
    verdicts: str
    rebleed_days: int
    rebleed_end: str
    death_days: int
    death_end: str
    source: str
    coils: int | None
    adhesive_ul: int | None
    sessions: int | None
    windows_due: int | None
    windows_kept: int | None


def make_episode_rows(
    patient: PatientRow | None,
    cases: Sequence[CaseRow],
    parts: Iterable[PartRow],
    by: Definitions,
) -> list[EpisodeRow]:
    """Return the rows of all cases of one patient.

    Parts that another unit wrote are left out: no unit tells the outcome of another's case.
    The death of the patient ends each of them (OC11).
    """
    units = {case.record: case.unit for case in cases}
    of_case: dict[str, list[PartRow]] = {case.record: [] for case in cases}
    for part in parts:
        if units.get(part.of_case) == part.unit:
            of_case[part.of_case].append(part)
    sessions = _sessions(cases, of_case)
    if patient is not None and any(case.treated_on > patient.died_on for case in cases):
        # Nobody is treated after a death: its day is not known.
        doubts = f"{patient.doubts} died_on {DEATHS}" if patient.died_on else patient.doubts
        patient = msgspec.structs.replace(patient, died_on="", doubts=doubts)
    return [
        _row(case, patient, _episode(case, of_case[case.record], patient), by, sessions)
        for case in cases
    ]


def _episode(case: CaseRow, parts: Sequence[PartRow], patient: PatientRow | None) -> Episode:
    died_on = patient.died_on if patient is not None else ""
    dated = [one for one in parts if one.on_day]
    looks = tuple(Look(one.on_day, one.told) for one in dated if one.part == LOOK)
    events = [
        Event(
            kind=_EVENTS[one.part],
            on=one.on_day,
            source=one.told,
            planned=None if one.planned is None else bool(one.planned),
        )
        for one in dated
        if one.part in _EVENTS
    ]
    if died_on:
        events.append(Event(kind=DIED, on=died_on))
    days = (case.treated_on, case.seen_on, case.asked_on, died_on, *(one.on_day for one in dated))
    bled_on = [one.on_day for one in dated if one.part == BLED]
    return Episode(
        unit=case.unit,
        treated_on=case.treated_on,
        seen_on=max(days),
        window_days=case.window_days,
        asked_on=max(case.treated_on, case.asked_on, *bled_on),
        delivered=None if case.delivered is None else bool(case.delivered),
        flow_at_end=case.flow_at_end,
        looks=looks,
        events=tuple(events),
        unsure=_unsure(case, parts, patient),
        unsaid=_unsaid(case, patient),
    )


def _unsure(case: CaseRow, parts: Iterable[PartRow], patient: PatientRow | None) -> frozenset[str]:
    """Return of what something is told that no day, or no case, can be given to (OC12)."""
    found = {one.part for one in parts if not one.on_day}
    doubts = case.doubts.split()
    if UNKNOWN_EVENT in {one.part for one in parts} or EVENTS in doubts:
        found.update(_EVENTS)
    if LOOKS in doubts:
        found.add(LOOK)
    if patient is not None and "died_on" in patient.doubts.split():
        found.add(DIED)
    return frozenset(found)


def _unsaid(case: CaseRow, patient: PatientRow | None) -> frozenset[str]:
    """Return what is told only where it happened, or in contradiction (OC12)."""
    doubts = {*case.doubts.split(), *(patient.doubts.split() if patient is not None else ())}
    kinds = {
        NO_BLEEDS: (_EVENTS["rebleed"],),
        NO_ADVERSE_EVENTS: (_EVENTS["embolism"], _EVENTS["reintervention"]),
        DEATHS: (DIED,),
    }
    return frozenset(kind for word, some in kinds.items() if word in doubts for kind in some)


def _row(
    case: CaseRow,
    patient: PatientRow | None,
    episode: Episode,
    by: Definitions,
    sessions: tuple[str, int] | None,
) -> EpisodeRow:
    born = patient.born if patient is not None else None
    age = None if born is None else int(case.treated_on[:4]) - born
    spells = {one.outcome: _spell(episode, one) for one in by.over_time}
    rebleed, death = spells["rebleed"], spells["death"]
    numbers = {
        "child_class": case.child_pugh_points,
        "meld_band": case.meld,
        "size_band": case.short_axis_um,
        "age_band": age,
    }
    bands = {one.field: one.name_of(numbers[one.field]) for one in by.bands}
    return EpisodeRow(
        record=case.record,
        unit=case.unit,
        patient=case.patient,
        treated_on=case.treated_on,
        month=case.treated_on[:7],
        indication=case.indication,
        varix_class=case.varix_class,
        cause=case.cause,
        shunt=case.shunt,
        technique=case.technique,
        adhesive_kind=case.adhesive_kind,
        sex=patient.sex if patient is not None else "",
        verdicts="".join(_MARKS[judge_episode(episode, one)] for one in by.rows),
        rebleed_days=rebleed.days,
        rebleed_end=rebleed.ended_by,
        death_days=death.days,
        death_end=death.ended_by,
        source=_source(episode) if rebleed.ended_by == "rebleed" else "",
        coils=case.coils,
        adhesive_ul=case.adhesive_ul,
        sessions=sessions[1] if sessions is not None and sessions[0] == case.record else None,
        windows_due=case.windows_due,
        windows_kept=None if case.windows_due is None else case.windows_kept or 0,
        **bands,
    )


def _spell(episode: Episode, by: Definition) -> Spell:
    return follow_outcome([episode], by)[0]


def _source(episode: Episode) -> str:
    """Return where the first bleed came from; of several on one day, one that is known."""
    bleeds = [one for one in episode.events if one.kind == "rebleed"]
    held = [one for one in bleeds if days_between(episode.treated_on, one.on) >= 0]
    first = min(held, key=lambda one: (one.on, one.source == "", one.source), default=None)
    return (first.source if first is not None else "") or NOBODY_KNOWS


def _sessions(
    cases: Sequence[CaseRow], of_case: dict[str, list[PartRow]]
) -> tuple[str, int] | None:
    """Return the case whose look first showed no flow, and the days of treatment until then."""
    treated_on = {case.record: case.treated_on for case in cases}
    found = min(
        (
            (part.on_day, record)
            for record, parts in of_case.items()
            for part in parts
            if part.part == LOOK and part.told == "no" and part.on_day > treated_on[record]
        ),
        default=None,
    )
    if found is None:
        return None
    until, record = found
    days = set(treated_on.values()) | {
        part.on_day for parts in of_case.values() for part in parts if part.part == "reintervention"
    }
    return record, len([day for day in days if day <= until])
