"""Which patients were treated and have no visit to come, for a second person (FL1-FL5).

Pure, and of its own: it asks for no owner and no next act, so that a fault there cannot hide here.
"""

import hashlib
import json
from collections.abc import Collection, Iterable, Mapping
from typing import Literal

import msgspec

from api.clinical_rules.clinic_facts import VisitFacts

Why = Literal["only-past", "no-visit", "all-over", "ended"]
_ORDER: tuple[Why, ...] = ("only-past", "no-visit", "all-over", "ended")


class FailsafeRow(msgspec.Struct, frozen=True, kw_only=True):
    """One patient with implants and no future plan.

    Parameters
    ----------
    patient : str
        The record, or "" where the case of an implant names no patient.
    cases : tuple of str
        Cases with implants, sorted.
    why : str
        `only-past`: visits are open, and every date of them is past. `no-visit`: none is on
        record. `all-over`: each is attended. `ended`: each is attended or ended, and one was ended.
    ended_because : tuple of str
        The reasons of those ended, sorted.
    last_on : str or None
        The latest date of any visit, as a place to look.
    """

    patient: str
    cases: tuple[str, ...]
    why: Why
    ended_because: tuple[str, ...] = ()
    last_on: str | None = None


def find_failsafe_rows(
    treated: Mapping[str, Iterable[str]],
    visits: Iterable[VisitFacts],
    *,
    dead: Collection[str],
    on: str,
) -> list[FailsafeRow]:
    """Return the rows, what was forgotten first.

    Parameters
    ----------
    treated : mapping of patient to cases
        Everybody with an implant that is not entered in error; "" for cases without a patient.
    dead : collection of str
        Patients whose death a clinician recorded: nobody else is left out for good (FL3).
    on : str
        Civil date of today.
    """
    of_patient: dict[str, list[VisitFacts]] = {}
    for visit in visits:
        of_patient.setdefault(visit.patient, []).append(visit)
    rows = [
        row
        for patient, cases in treated.items()
        if patient not in dead
        and (row := _judge(patient, cases, of_patient.get(patient, []) if patient else [], on))
    ]
    return sorted(rows, key=lambda row: (_ORDER.index(row.why), row.patient, row.cases))


def hash_failsafe_rows(rows: Iterable[FailsafeRow], *, on: str) -> str:
    """Return the SHA-256 by which a signature names the list: who stands on it, why, and when."""
    content = [on, [[row.patient, list(row.cases), row.why] for row in rows]]
    return hashlib.sha256(json.dumps(content, ensure_ascii=False).encode()).hexdigest()


def _judge(
    patient: str, cases: Iterable[str], visits: list[VisitFacts], on: str
) -> FailsafeRow | None:
    ended = [one for one in visits if one.status == "ended"]
    reasons = {one.ended_because for one in ended if one.ended_because}
    if any(_is_to_come(one, on) for one in visits):
        return None
    why: Why = "all-over"
    if not visits:
        why = "no-visit"
    elif any(one.is_open for one in visits):
        why = "only-past"
    elif ended:
        why = "ended"
    return FailsafeRow(
        patient=patient,
        cases=tuple(sorted(cases)),
        why=why,
        ended_because=tuple(sorted(reasons)),
        last_on=max((day for one in visits for day in _days_of(one)), default=None),
    )


def _is_to_come(visit: VisitFacts, on: str) -> bool:
    """FL2: open, and booked, due at the latest or to be acted on today or later."""
    if not visit.is_open:
        return False
    if visit.is_booked:
        return visit.slot is not None and visit.slot.on >= on
    return any(day >= on for day in (visit.window.latest_on, visit.act_on) if day)


def _days_of(visit: VisitFacts) -> list[str]:
    days = (visit.seen_on, visit.slot.on if visit.slot else None, visit.window.latest_on)
    return [day for day in days if day]
