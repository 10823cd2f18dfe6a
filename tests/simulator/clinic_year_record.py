"""The record of the simulated clinic: visits that change by the rules of their course alone.

Each change is an act by `take_visit_act`; each plan is an answer of `answer_follow_up`.
"""

from collections import Counter
from typing import Any

import msgspec

from api.clinical_rules.clinic_facts import Outcome, Slot
from api.clinical_rules.follow_up import answer_follow_up
from api.clinical_rules.follow_up_gaps import VisitStanding
from api.clinical_rules.recorded_acts import JUDGED, refuse_recorded_act
from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.visit_course import take_visit_act
from api.clinical_rules.visit_course_limits import read_course_limits
from tests.simulator.clinic_year_chances import CLINICIAN, Patient

OVER = ("attended", "ended")
ZONE = "Europe/London"
_ENGINE_ENDS = ("died", "transferred", "declined")


class YearSession(msgspec.Struct, kw_only=True):
    """One session; `closed_on` is the day on which the unit closed it."""

    record: str
    place: str
    on: str
    starts: str
    capacity: int
    equipment: tuple[str, ...]
    closed_because: str = ""
    closed_on: str = ""


class YearVisit(msgspec.Struct, kw_only=True):
    """One visit: `course` is what the rules of a course read and set, the rest is beside it."""

    record: str
    patient: str
    case: str
    plan_visit: str
    kind: str
    label: str
    course: dict[str, Any]
    session: str = ""
    stamp: str = ""
    starts: str = ""
    took_place_on: str = ""
    result_on: str = ""
    finding: dict[str, bool] = {}
    ended_on: str = ""
    ended_by: str = ""
    slots: list[Slot] = []
    outcomes: list[Outcome] = []
    misses: list[str] = []
    standing: VisitStanding | None = None

    @property
    def status(self) -> str:
        return str(self.course["status"])

    @property
    def is_open(self) -> bool:
        return self.course["status"] not in OVER

    @property
    def is_booked(self) -> bool:
        return self.course["status"] == "booked"

    @property
    def window(self) -> tuple[str, str, str]:
        held = self.course["window"]
        return held["earliest_on"], held["target_on"], held["latest_on"]


class YearRecord:
    """Everything on record, and the one way to change it."""

    def __init__(self, book: RuleBook, sessions: list[YearSession]) -> None:
        self.book = book
        self.limits, _ = read_course_limits(book)
        self.patients: dict[str, Patient] = {}
        self.visits: dict[str, YearVisit] = {}
        self.of_patient: dict[str, list[YearVisit]] = {}
        self._open: dict[str, YearVisit] = {}
        self._unnoted: dict[str, YearVisit] = {}
        self.closings = 0
        self.sessions = {one.record: one for one in sessions}
        self.acts = 0
        # What the unit would not take in, though the rules let a person do it (CV11).
        self.refused: list[str] = []
        self.told: Counter[str] = Counter()

    # --- changes --------------------------------------------------------------------------------

    def act(self, visit: YearVisit, name: str, role: str, today_on: str, **more: Any) -> str:
        """Do one act on a visit as the rules allow it; return why a clinician has it by it."""
        act = {"act": name, "role": role, "today_on": today_on, **more}
        taken = take_visit_act({"visit": visit.course, "act": act}, self.book)
        shown = {
            key: [visit.course[key]] for key in JUDGED if visit.course.get(key, "none") != "none"
        }
        if why := refuse_recorded_act(taken["set"], shown, role):  # type: ignore[arg-type]
            self.refused.append(f"{visit.record}: {why}")
        for key, part in taken["set"].items():  # type: ignore[attr-defined]
            if part is None:
                visit.course.pop(key, None)
            else:
                visit.course[key] = part
        self.acts += 1
        self.told[name] += 1
        self._file(visit)
        if name == "no-show":
            visit.course["no_shows"] = visit.course.get("no_shows", 0) + 1
        if name == "end":
            visit.ended_on, visit.ended_by = today_on, CLINICIAN if role == "clinician" else role
        escalated = str(taken["escalated"])
        if escalated:
            self.told[f"to clinician: {escalated}"] += 1
        return escalated

    def _file(self, visit: YearVisit) -> None:
        """Keep the lists of what is open and of what nobody noted a result of."""
        visit.standing = None
        for held, belongs in (
            (self._open, visit.is_open),
            (self._unnoted, visit.status == "attended" and visit.result_on == ""),
        ):
            if belongs:
                held[visit.record] = visit
            else:
                held.pop(visit.record, None)

    def open_visits(self) -> list[YearVisit]:
        """Return the visits that wait for an act, those opened first to the front."""
        return list(self._open.values())

    def unnoted_visits(self) -> list[YearVisit]:
        """Return the visits that took place and whose result nobody noted."""
        return list(self._unnoted.values())

    def close_session(self, session: YearSession, because: str, on: str) -> None:
        """Close a session on a day; its bookings stay until somebody moves them."""
        session.closed_because, session.closed_on = because, on
        self.closings += 1

    def book_visit(
        self, visit: YearVisit, session: str, role: str, today_on: str, because: str, clerk: str
    ) -> None:
        """Book a visit into a session, or move it there."""
        there = self.sessions[session]
        name = "move" if visit.is_booked else "book"
        more = {"owner": clerk} if clerk and "owner" not in visit.course else {}
        self.act(visit, name, role, today_on, day=there.on, because=because, **more)
        visit.session, visit.starts = session, there.starts
        visit.stamp = f"{today_on}T{self.acts:08}"
        visit.course["booked_on"] = there.on
        visit.slots = [*visit.slots, Slot(there.on, there.starts, there.place, session, ZONE)]

    def note_result(self, visit: YearVisit, finding: dict[str, bool], today_on: str) -> None:
        """Write what a visit showed; the plan that follows is made in the same act."""
        visit.finding, visit.result_on = finding, today_on
        self._file(visit)
        self.plan(self.patients[visit.patient], today_on)

    def plan(self, patient: Patient, today_on: str) -> None:
        """Bring the visits of a patient to the plan, as a clinician does who presses it."""
        own = self.of_patient.setdefault(patient.record, [])
        answer = answer_follow_up(
            {
                "plan": "default",
                "index_on": patient.index_on,
                "acute_bleed": patient.acute_bleed,
                "today_on": today_on,
                "conditions": patient.conditions,
                "happened": self._happened(own, today_on),
            },
            self.book,
        )
        named = set()
        for planned in answer["visits"]:  # type: ignore[attr-defined]
            if planned["state"] in OVER:
                continue
            named.add(planned["visit"])
            window = {key: planned[key] for key in ("earliest_on", "target_on", "latest_on")}
            same = [one for one in own if one.plan_visit == planned["visit"]]
            still = next((one for one in same if one.is_open), None)
            if still is not None:
                if still.course["window"] != window:
                    still.course["window"], still.standing = window, None
                    self.told["windows moved"] += 1
                    booked_on = still.course.get("booked_on", "") if still.is_booked else ""
                    is_off = not window["earliest_on"] <= booked_on <= window["latest_on"]
                    self.told["booked outside a new window"] += booked_on != "" and is_off
                continue
            visit = _fresh_visit(patient, planned, window, same)
            if visit is not None:
                self.act(visit, "plan", "clinician", today_on, owner_role=planned["owner_role"])
                self.visits[visit.record] = visit
                own.append(visit)
        for one in own:
            if one.is_open and one.plan_visit not in named:
                self.act(one, "end", "clinician", today_on, reason="not-needed")

    def _happened(self, own: list[YearVisit], today_on: str) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = []
        for one in own:
            at = {"visit": one.plan_visit}
            found += [{**at, "on": on, "outcome": "no-show"} for on in one.misses]
            if one.took_place_on and one.status == "attended":
                outcome = "done-elsewhere" if "elsewhere" in one.course else "attended"
                found.append({**at, "on": one.took_place_on, "outcome": outcome, **one.finding})
            reason = one.course.get("ended_because")
            if reason in _ENGINE_ENDS:
                found.append({**at, "on": one.ended_on, reason: True})
        return [one for one in found if one["on"] <= today_on]


def _fresh_visit(
    patient: Patient, planned: dict[str, Any], window: dict[str, str], same: list[YearVisit]
) -> YearVisit | None:
    """Return the visit to add; None where a clinician ended exactly this one, or it stands."""
    if any(one.status == "ended" and one.course["window"] == window for one in same):
        return None
    record = f"visit/c{patient.number:04}-{planned['visit'].replace('_', '-')}"
    if same:
        record = f"{record}-{planned['anchor_on']}"
    if any(one.record == record for one in same):
        return None
    return YearVisit(
        record=record,
        patient=patient.record,
        case=patient.case,
        plan_visit=planned["visit"],
        kind=planned["kind"],
        label=planned["label"],
        course={"status": "none", "window": window},
    )
