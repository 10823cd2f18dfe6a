"""Who was treated and has no next act: the promise that follow-up never ends in silence (FG1-FG7).

Every treated living patient has exactly one next act with a day and an owner, or an end that a
clinician gave a reason for. Pure: the record comes in as plain facts, today with it.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Literal

import msgspec

GapKind = Literal[
    "no-plan",
    "no-next-visit",
    "no-owner",
    "no-day",
    "two-answers",
    "doubled",
    "no-result",
    "end-to-confirm",
    "open-after-end",
]
# In the order in which they are listed: who was forgotten whole comes first.
WHAT_TO_DO: Mapping[GapKind, str] = {
    "no-plan": "No follow-up plan and no reason for none. Open Surveillance and make the plan.",
    "no-next-visit": "Nothing is planned any more. Plan again, or a clinician ends follow-up.",
    "end-to-confirm": "No clinician gave this end with a reason. A clinician ends it, or reopens.",
    "open-after-end": "The patient died or was transferred. A clinician ends this visit too.",
    "two-answers": "Two answers stand side by side. Choose one under Decisions.",
    "no-owner": "Nobody holds this visit. Hand it to a desk or a clinician.",
    "no-day": "This visit has no day to act on. Set its window or the day of the next act.",
    "doubled": "The same visit stands twice. A clinician ends one as not needed.",
    "no-result": "The visit took place and nobody noted what it showed. Enter the result.",
}
_OVER = ("attended", "ended")
_ENDS_A_LIFE_HERE = ("died", "transferred")
_ENDS_A_CASE = (*_ENDS_A_LIFE_HERE, "declined")


class VisitStanding(msgspec.Struct, frozen=True, kw_only=True):
    """One visit as the record shows it; "" where something is not known.

    Parameters
    ----------
    day : str
        Civil date of the next act; of a visit that took place, until when its result is noted.
    is_end_sound : bool
        An end that a clinician gave, with one of the reasons.
    conflicts : tuple of str
        Fields that decide on the next act and in which two answers stand.
    """

    record: str
    case: str = ""
    plan_visit: str = ""
    status: str = ""
    owner_role: str = ""
    day: str = ""
    target_on: str = ""
    ended_because: str = ""
    is_end_sound: bool = False
    has_result: bool = False
    conflicts: tuple[str, ...] = ()

    @property
    def is_open(self) -> bool:
        """Say whether somebody still has to act; two answers keep a visit open."""
        return self.status not in _OVER or "status" in self.conflicts

    @property
    def awaits_result(self) -> bool:
        """Say whether it took place and somebody holds it until what it showed is noted (FG4)."""
        is_whole = self.owner_role != "" and self.day != "" and not self.conflicts
        return self.status == "attended" and not self.has_result and is_whole

    @property
    def has_ended(self) -> bool:
        """Say whether a clinician ended it with a reason (FG6)."""
        return self.status == "ended" and self.is_end_sound and not self.is_open


class CaseStanding(msgspec.Struct, frozen=True, kw_only=True):
    """One case that was treated or closed.

    Parameters
    ----------
    is_closed : bool
        Closed, closing, or of a day before today: its plan is due.
    reason : str
        Why there is no follow-up, "" where none is given.
    is_reason_sound : bool
        A clinician gave it.
    """

    record: str
    is_closed: bool
    reason: str = ""
    is_reason_sound: bool = False


class NextAct(msgspec.Struct, frozen=True, kw_only=True):
    """The one next act for a patient."""

    visit: str
    on: str
    owner_role: str


class Gap(msgspec.Struct, frozen=True, kw_only=True):
    """One place where the promise is broken, and what to do about it."""

    kind: GapKind
    patient: str
    case: str
    visit: str
    what_to_do: str


def find_next_act(visits: Iterable[VisitStanding]) -> NextAct | None:
    """Return the next act for a patient: of open visits the first by day, then name (FG2).

    While none is open it is the noting of a result that is awaited (FG4).
    """
    every = list(visits)
    whole = [one for one in every if one.is_open and one.owner_role and one.day]
    whole = whole or [one for one in every if one.awaits_result]
    if not whole:
        return None
    first = min(whole, key=lambda one: (one.day, one.record))
    return NextAct(visit=first.record, on=first.day, owner_role=first.owner_role)


def find_gaps(
    patient: str,
    cases: Sequence[CaseStanding],
    visits: Sequence[VisitStanding],
    *,
    today_on: str,
) -> list[Gap]:
    """Return where the promise is broken for one patient; empty where it is kept.

    Parameters
    ----------
    patient : str
        Its record, "" for cases that name no patient.
    cases : sequence of CaseStanding
        Those treated or closed, without what was entered in error.
    visits : sequence of VisitStanding
        All of the patient, without what was entered in error.
    today_on : str
        Civil date.

    Notes
    -----
    Rules FG1-FG7.
    """
    found: list[tuple[GapKind, str, str]] = []
    if any(one.ended_because in _ENDS_A_LIFE_HERE and one.has_ended for one in visits):
        found += [("open-after-end", one.case, one.record) for one in visits if one.is_open]
    else:
        found += _gaps_of_cases(cases, visits)
        for visit in visits:
            kind = _gap_of_visit(visit, today_on)
            if kind is not None:
                found.append((kind, visit.case, visit.record))
        found += [("doubled", one.case, one.record) for one in _find_doubled(visits)]
    order = list(WHAT_TO_DO)
    return [
        Gap(kind=kind, patient=patient, case=case, visit=visit, what_to_do=WHAT_TO_DO[kind])
        for kind, case, visit in sorted(found, key=lambda one: (order.index(one[0]), *one[1:]))
    ]


def _gaps_of_cases(
    cases: Sequence[CaseStanding], visits: Sequence[VisitStanding]
) -> Iterator[tuple[GapKind, str, str]]:
    """Yield cases without a plan, and those with which nothing goes on (FG3, FG4)."""
    goes_on = any(one.is_open or one.awaits_result for one in visits)
    for case in cases:
        own = [one for one in visits if one.case == case.record]
        if not case.is_closed or _is_ended(case, own):
            continue
        if case.reason and not case.is_reason_sound:
            yield "end-to-confirm", case.record, ""
        elif not own:
            yield "no-plan", case.record, ""
        elif not goes_on:
            yield "no-next-visit", case.record, ""


def _is_ended(case: CaseStanding, own: Sequence[VisitStanding]) -> bool:
    """Say whether a clinician ended the follow-up of a case with a reason (FG5)."""
    if case.reason and case.is_reason_sound:
        return True
    sound = [one for one in own if one.has_ended]
    if any(one.ended_because in _ENDS_A_CASE for one in sound):
        return not any(one.is_open for one in own)
    if not own or any(one.is_open for one in own):
        return False
    # One visit that is not needed ends that visit; the last one planned ends the follow-up.
    last = max(own, key=lambda one: (one.target_on, one.record))
    return last in sound and last.ended_because == "not-needed"


def _gap_of_visit(visit: VisitStanding, today_on: str) -> GapKind | None:
    """Return what one visit lacks (FG2, FG6, FG7)."""
    if visit.conflicts:
        return "two-answers"
    if visit.status == "ended":
        return None if visit.has_ended else "end-to-confirm"
    if visit.status == "attended":
        # Without any day nobody knows how long it has been waiting: it is named.
        return "no-result" if not visit.has_result and visit.day < today_on else None
    if not visit.owner_role:
        return "no-owner"
    return None if visit.day else "no-day"


def _find_doubled(visits: Sequence[VisitStanding]) -> list[VisitStanding]:
    """Return visits that stand for the same planned one as another open visit (FG2)."""
    seen: set[tuple[str, str]] = set()
    doubled = []
    for visit in sorted(visits, key=lambda one: one.record):
        if not visit.is_open or not visit.plan_visit or not visit.case:
            continue
        if (visit.case, visit.plan_visit) in seen:
            doubled.append(visit)
        seen.add((visit.case, visit.plan_visit))
    return doubled
