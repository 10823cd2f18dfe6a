"""Who was treated and has no next act: the promise that follow-up never ends in silence (FG1-FG10).

Every treated living patient has exactly one next act with a day and an owner, or an end that a
clinician gave a reason for. Pure: the record comes in as plain facts, today with it.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Literal

import msgspec

from api.clinical_rules.follow_up_standings import CaseStanding, VisitStanding, is_before

GapKind = Literal[
    "no-plan",
    "reason-to-come",
    "no-next-visit",
    "patient-struck",
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
    "reason-to-come": "The reason for no follow-up was put off. Give it, or make the plan.",
    "no-next-visit": "Nothing is planned any more. Plan again, or a clinician ends follow-up.",
    "patient-struck": "The patient was struck, and visits go on. A clinician ends each of them.",
    "end-to-confirm": "No clinician gave this end with a reason. A clinician ends it, or reopens.",
    "open-after-end": "The patient died or was transferred. A clinician ends this visit too.",
    "two-answers": "Two answers stand side by side. Choose one under Decisions.",
    "no-owner": "Nobody holds this visit. Hand it to a desk or a clinician.",
    "no-day": "This visit has no day to act on. Set its window or the day of the next act.",
    "doubled": "The same visit stands twice. A clinician ends one as not needed.",
    "no-result": "The visit took place and nobody noted what it showed. Enter the result.",
}
_LEAVES = ("died", "transferred")
_ENDS_A_CASE = (*_LEAVES, "declined")
# How the reasons for no follow-up of a case are recorded, as far as they are more than a reason.
_REASON_LEAVES = {
    "died": "died",
    "transferred": "transferred",
    "transferred to another unit": "transferred",
}


class NextAct(msgspec.Struct, frozen=True, kw_only=True):
    """The one next act for a patient."""

    visit: str
    on: str
    owner_role: str


class Gap(msgspec.Struct, frozen=True, kw_only=True):
    """One place where the promise is broken, and what to do about it.

    `due_on` is the civil date by which it was to be done, "" where there is none.
    """

    kind: GapKind
    patient: str
    case: str
    visit: str
    what_to_do: str
    due_on: str = ""


class _Leaving(msgspec.Struct, frozen=True):
    """A patient who left for good, as one case or visit tells it."""

    what: str
    case: str
    on: str


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
    is_struck: bool = False,
) -> list[Gap]:
    """Return where the promise is broken for one patient; empty where it is kept.

    Parameters
    ----------
    patient : str
        Its record, "" for a case that names no patient: of such cases each is asked alone (FG10).
    cases : sequence of CaseStanding
        Those treated or closed, without what was entered in error.
    visits : sequence of VisitStanding
        All of the patient, without what was entered in error.
    today_on : str
        Civil date.
    is_struck : bool
        The patient was entered in error.

    Notes
    -----
    Rules FG1-FG10.
    """
    gone, is_gone = _find_gone(cases, visits)
    found: list[tuple[GapKind, str, str, str]] = []
    here = []
    for visit in visits:
        if is_struck and visit.is_open:
            found.append(("patient-struck", visit.case, visit.record, visit.day))
        elif not is_gone(visit):
            here.append(visit)
        elif visit.is_open:
            found.append(("open-after-end", visit.case, visit.record, ""))
    for case in cases:
        if case.record not in gone:
            found += _gaps_of_case(case, [one for one in visits if one.case == case.record])
    for visit in here:
        kind = _gap_of_visit(visit, today_on)
        if kind is not None:
            due_on = visit.day if kind == "no-result" else ""
            found.append((kind, visit.case, visit.record, due_on))
    found += [("doubled", one.case, one.record, "") for one in _find_doubled(here)]
    order = list(WHAT_TO_DO)
    return [
        Gap(
            kind=kind,
            patient=patient,
            case=case,
            visit=visit,
            what_to_do=WHAT_TO_DO[kind],
            due_on=due_on,
        )
        for kind, case, visit, due_on in sorted(
            found, key=lambda one: (order.index(one[0]), *one[1:])
        )
    ]


def is_follow_up_over(cases: Sequence[CaseStanding], visits: Sequence[VisitStanding]) -> bool:
    """Say whether a clinician ended the follow-up of every case of a patient (FG5)."""
    gone, _ = _find_gone(cases, visits)
    return all(
        case.record in gone or _is_ended(case, [one for one in visits if one.case == case.record])
        for case in cases
    )


def _find_gone(
    cases: Sequence[CaseStanding], visits: Sequence[VisitStanding]
) -> tuple[set[str], Callable[[VisitStanding], bool]]:
    """Return the cases that died or transferred ended, and what says so of a visit (FG5).

    Who died is gone with every case. Who was transferred is gone with those treated on or before
    the day of that; a treatment after it shows that the patient came back.
    """
    leavings = [
        _Leaving(one.ended_because, one.case, one.ended_on)
        for one in visits
        if one.has_ended and one.ended_because in _LEAVES
    ]
    leavings += [
        _Leaving(_REASON_LEAVES[reason], one.record, one.reason_on)
        for one in cases
        if one.has_reason and (reason := one.reason.casefold()) in _REASON_LEAVES
    ]
    if any(one.what == "died" for one in leavings):
        return {one.record for one in cases}, lambda _: True
    gone = {case.record for case in cases if any(_takes_along(one, case) for one in leavings)}
    known = {case.record for case in cases}
    last_on = max((one.on for one in leavings), default="")
    is_back = any(is_before(last_on, case.treated_on) for case in cases)
    is_away = bool(leavings) and not is_back

    def is_gone(visit: VisitStanding) -> bool:
        return visit.case in gone if visit.case in known else is_away

    return gone, is_gone


def _takes_along(leaving: _Leaving, case: CaseStanding) -> bool:
    """Say whether a transfer ended a case; another one than its own only by known days."""
    if leaving.case == case.record:
        return not is_before(leaving.on, case.treated_on)
    return "" < case.treated_on <= leaving.on


def _gaps_of_case(
    case: CaseStanding, own: Sequence[VisitStanding]
) -> Iterator[tuple[GapKind, str, str, str]]:
    """Yield what a case lacks: a plan, a reason, or somebody with whom it goes on (FG3, FG4)."""
    if not case.is_closed or _is_ended(case, own):
        return
    if case.has_two_reasons:
        yield "two-answers", case.record, "", ""
    elif case.is_put_off and not own:
        yield "reason-to-come", case.record, "", case.reason_due_on
    elif case.reason and not case.is_put_off and not case.is_reason_sound:
        yield "end-to-confirm", case.record, "", ""
    elif not own:
        yield "no-plan", case.record, "", ""
    elif not any(one.is_open or one.awaits_result for one in own):
        yield "no-next-visit", case.record, "", ""


def _is_ended(case: CaseStanding, own: Sequence[VisitStanding]) -> bool:
    """Say whether a clinician ended the follow-up of a case with a reason (FG5)."""
    if case.has_reason:
        return True
    # What was ended before the last treatment says nothing of the time after it.
    sound = [one for one in own if one.has_ended and not is_before(one.ended_on, case.treated_on)]
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
