"""What must hold every day of the simulated year, asked twice: by the product and from scratch.

The second way reads the visits themselves and calls no rule, so that a fault of a rule cannot
hide in the check.
"""

from collections import Counter

import msgspec

from api.clinical_rules.civil_date import add_days, is_civil_date
from api.clinical_rules.follow_up_gaps import find_gaps, find_next_act
from api.clinical_rules.visit_course_table import END_REASONS
from tests.simulator.clinic_year_chances import CLERKS, CLINICIAN, Patient
from tests.simulator.clinic_year_desk import Letter
from tests.simulator.clinic_year_facts import YearFacts, case_standing
from tests.simulator.clinic_year_record import YearRecord, YearVisit

# A day to act on may pass over a weekend and a holiday; nobody leaves one longer than this.
FORGOTTEN_DAYS = 7
_ENDS_ALL = ("died", "transferred")


class Fault(msgspec.Struct, frozen=True):
    """One breach of the promise: on which day, of whom, and what."""

    on: str
    whose: str
    what: str


class Watch:
    """Looks at everybody at the end of each day."""

    def __init__(self, record: YearRecord) -> None:
        self._record, self._facts = record, YearFacts(record)
        self.faults: list[Fault] = []
        self.lost: Counter[str] = Counter()
        self._told = 0

    def look(self, on: str, *, absent: str, was_offline: bool) -> bool:
        """Return whether the promise holds for every patient on this day, its letters included."""
        for patient in self._record.patients.values():
            self._ask_rules(patient, on)
            if not patient.has_reason_for_none:
                self._ask_visits(patient, on, absent)
        self._ask_sessions(on, was_offline=was_offline)
        new, self._told = len(self.faults) - self._told, len(self.faults)
        return new == 0

    def look_at_letters(self, printed: list[Letter], on: str) -> None:
        """Note every letter that must not be written (HAZ-45)."""
        for letter in printed:
            visit = self._record.visits[letter.visit]
            own = self._record.of_patient[visit.patient]
            reasons = {one.course.get("ended_because") for one in own}
            if reasons & {*_ENDS_ALL}:
                self._tell(on, visit.patient, "died or was transferred, and is written to")
            if not self._record.patients[visit.patient].may_contact:
                self._tell(on, visit.patient, "is not to be contacted, and is written to")
            slot = visit.slots[-1]
            is_told = (letter.expected.on, letter.expected.time) == (slot.on, slot.time)
            if letter.kind in ("appointment", "moved") and not (visit.is_booked and is_told):
                self._tell(on, visit.record, "a letter names another booking")

    def _tell(self, on: str, whose: str, what: str) -> None:
        self.faults.append(Fault(on, whose, what))

    def _ask_rules(self, patient: Patient, on: str) -> None:
        """Ask the product: nobody may have a gap."""
        standings = self._facts.standings(patient.record)
        for gap in find_gaps(patient.record, [case_standing(patient)], standings, today_on=on):
            self._tell(on, patient.record, f"{gap.kind} {gap.visit}")

    def _ask_visits(self, patient: Patient, on: str, absent: str) -> None:
        """Ask from scratch: one next act with a day and an owner, or a clinician's end."""
        own = self._record.of_patient[patient.record]
        still = [one for one in own if one.course["status"] not in ("attended", "ended")]
        awaited = [one for one in own if one.course["status"] == "attended" and not one.result_on]
        for one in own:
            self._ask_visit(one, on, absent)
        reasons = {one.course.get("ended_because") for one in own}
        if reasons & {*_ENDS_ALL}:
            if still:
                self._tell(on, patient.record, "died or was transferred, and a visit is open")
            return
        if still or awaited:
            # While nothing is open the next act is to note what the last visit showed.
            first = min(
                still or awaited, key=lambda one: (one.course.get("act_on", ""), one.record)
            )
            found = find_next_act(self._facts.standings(patient.record))
            if found is None or (found.visit, found.on) != (
                first.record,
                first.course.get("act_on"),
            ):
                self._tell(on, patient.record, f"the next act is not {first.record}")
            return
        if "declined" in reasons:
            return
        last = max(own, key=lambda one: (one.window[1], one.record), default=None)
        if last is None or last.course.get("ended_because") != "not-needed":
            self._tell(on, patient.record, "is lost: nothing is open and nobody ended it")
            self.lost[on] += 1

    def _ask_visit(self, one: YearVisit, on: str, absent: str) -> None:
        course = one.course
        if course["status"] == "ended":
            if one.ended_by != CLINICIAN or course.get("ended_because") not in END_REASONS:
                self._tell(on, one.record, "ended without a clinician's reason")
            return
        if course["status"] == "attended":
            if not one.took_place_on:
                self._tell(on, one.record, "counts as seen, and nobody came")
            is_held = course.get("owner_role") == "clinician" and course.get("act_on", "") >= on
            if not one.result_on and not is_held:
                self._tell(on, one.record, "took place, and nobody is to note its result")
            return
        act_on = course.get("act_on", "")
        if course.get("owner_role") not in ("booking", "clinician"):
            self._tell(on, one.record, "has no owner")
        if not is_civil_date(act_on):
            self._tell(on, one.record, "has no day to act on")
        elif act_on < add_days(on, -FORGOTTEN_DAYS):
            self._tell(on, one.record, "is forgotten: its day is long past")
        owner = course.get("owner", "")
        if owner and (owner == absent or owner not in CLERKS):
            self._tell(on, one.record, f"waits for {owner}, who is away")

    def _ask_sessions(self, on: str, *, was_offline: bool) -> None:
        counts: Counter[str] = Counter()
        for one in self._record.visits.values():
            if not one.is_booked:
                continue
            session = self._record.sessions[one.session]
            counts[session.record] += 1
            if session.closed_on:
                self._tell(on, one.record, "is booked into a closed session")
            if session.on != one.course.get("booked_on"):
                self._tell(on, one.record, "is booked for another day than its session's")
            if session.on < on:
                self._tell(on, one.record, "nobody said whether the patient came")
        if was_offline:
            # Two desks may have given one place twice; each sees it the next morning.
            return
        for name, count in counts.items():
            if count > self._record.sessions[name].capacity:
                self._tell(on, name, "more visits than its session holds")
