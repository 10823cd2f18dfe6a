"""The clinician of the simulated clinic: calls, results, decisions and ends of follow-up."""

import random
from collections.abc import Callable

from api.clinical_rules.civil_date import add_days
from api.clinical_rules.session_places import fits_session, needed_equipment
from api.clinical_rules.visit_course_limits import find_book_by
from tests.simulator.clinic_year_chances import Chances, Patient, draw_finding
from tests.simulator.clinic_year_desk import Desk
from tests.simulator.clinic_year_record import YearRecord, YearVisit


class Clinician:
    """What the clinician does on a working day."""

    def __init__(
        self,
        record: YearRecord,
        desk: Desk,
        chance: random.Random,
        chances: Chances,
        is_dead: Callable[[str, str], bool],
    ) -> None:
        self._record, self._desk, self._is_dead = record, desk, is_dead
        self._chance, self._chances = chance, chances

    def note_results(self, today_on: str, back_on: str) -> None:
        """Note what visits showed: each before the day is past that a result may take.

        Parameters
        ----------
        back_on : str
            The next working day; what is due before it cannot wait for it.
        """
        for visit in self._record.unnoted_visits():
            if visit.course["act_on"] < back_on or self._chance.random() < 0.5:
                self._note(visit, today_on)

    def _note(self, visit: YearVisit, today_on: str) -> None:
        patient = self._record.patients[visit.patient]
        finding = draw_finding(self._chance, patient, visit.kind, self._chances)
        self._record.note_result(visit, finding, today_on)

    def work_list(self, today_on: str) -> None:
        """Call whom the clinician calls, and decide on whom the desk handed over."""
        for visit in self._record.open_visits():
            course = visit.course
            is_due = visit.is_open and not visit.is_booked and course["act_on"] <= today_on
            if not is_due or course["owner_role"] != "clinician":
                continue
            patient = self._record.patients[visit.patient]
            if self._is_dead(visit.patient, today_on):
                # Whoever asks why nobody answers learns of the death.
                self.end_follow_up(patient, "died", today_on)
            elif visit.label == "Phone call":
                self._call(visit, today_on)
            elif visit.kind == "review" and not course.get("no_shows"):
                self._review(visit, today_on)
            else:
                self._decide(visit, patient, today_on)

    def _call(self, visit: YearVisit, today_on: str) -> None:
        if self._chance.random() >= self._chances.no_answer:
            self._record.act(visit, "came", "clinician", today_on)
            visit.took_place_on = today_on
            self._note(visit, today_on)
            return
        tries = visit.course["failed_tries"] = visit.course.get("failed_tries", 0) + 1
        self._record.told["no answer"] += 1
        if tries > self._record.limits["failed_tries_to_clinician"]:
            self._record.act(
                visit,
                "done-elsewhere",
                "clinician",
                today_on,
                day=today_on,
                place="Told by the family doctor",
            )
            visit.took_place_on = today_on
            self._note(visit, today_on)
            return
        self._record.act(
            visit,
            "hand-over",
            "clinician",
            today_on,
            owner_role="clinician",
            act_on=add_days(today_on, 1),
            because="No answer",
        )

    def _review(self, visit: YearVisit, today_on: str) -> None:
        if self._chance.random() < self._chances.is_ended_by_review:
            self._record.act(visit, "end", "clinician", today_on, reason="not-needed")
            self._record.told["ended: not-needed at review"] += 1
            return
        self._give_back(visit, today_on)

    def _decide(self, visit: YearVisit, patient: Patient, today_on: str) -> None:
        drawn = self._chance.random()
        if drawn < 0.03 and patient.may_contact:
            self.end_follow_up(patient, "declined", today_on)
        elif drawn < 0.25 or not patient.may_contact:
            self._book_by_hand(visit, today_on)
        else:
            self._give_back(visit, today_on)

    def _give_back(self, visit: YearVisit, today_on: str) -> None:
        """Let the desk go on: it asks nobody again before the day set (as at the work list)."""
        limits = self._record.limits
        visit.course.pop("failed_tries", None)
        act_on = max(
            add_days(today_on, limits["rebook_within_days"]),
            find_book_by(visit.course, today_on, limits),
        )
        self._record.act(
            visit,
            "hand-over",
            "clinician",
            today_on,
            owner_role="booking",
            act_on=act_on,
            because="Spoken with the family",
        )

    def _book_by_hand(self, visit: YearVisit, today_on: str) -> None:
        """Book the first free session that fits; where there is none, look again next week."""
        taken = self._desk.count_booked()
        needs = needed_equipment(visit.label)
        first_on = max(add_days(today_on, 2), visit.window[0])
        for one in self._record.sessions.values():
            is_free = not one.closed_because and taken.get(one.record, 0) < one.capacity
            if one.on >= first_on and is_free and fits_session(needs, one.equipment):
                self._record.book_visit(
                    visit, one.record, "clinician", today_on, "The clinician chose the day", ""
                )
                self._desk.ask_for_letter(visit, "appointment")
                return
        self._give_back(visit, today_on)

    def end_follow_up(self, patient: Patient, reason: str, today_on: str) -> None:
        """End all that is open of a patient with one reason; a clinician's act alone."""
        own = self._record.of_patient.get(patient.record, [])
        if own and not any(one.is_open for one in own):
            # The last visit took place and its result is not noted: the plan after it ends.
            for one in [each for each in own if each.status == "attended" and not each.result_on]:
                self._note(one, today_on)
        ended = [one for one in own if one.is_open]
        for one in ended:
            self._record.act(one, "end", "clinician", today_on, reason=reason)
        if ended:
            self._record.told[f"ended: {reason}"] += 1

    def reopen(self, patient: Patient, today_on: str) -> None:
        """Take up again a follow-up that the patient had declined."""
        for one in self._record.of_patient[patient.record]:
            if one.course.get("ended_because") == "declined":
                self._record.act(one, "reopen", "clinician", today_on, because="Came back")
                one.ended_on = one.ended_by = ""
        self._record.told["came back"] += 1
        self._record.plan(patient, today_on)
