"""The record of the simulated clinic as the other rules read it: plain facts of their own."""

from api.clinical_rules.civil_date import add_days
from api.clinical_rules.clinic_facts import (
    PatientFacts,
    SessionFacts,
    VisitFacts,
    Window,
)
from api.clinical_rules.follow_up_standings import CaseStanding, VisitStanding
from api.clinical_rules.visit_course_table import END_REASONS
from api.use_cases.booking_records import (
    BookingRecords,
    HeldBooking,
    HeldPatient,
    HeldSession,
    HeldVisit,
)
from tests.simulator.clinic_year_chances import CLINICIAN, Patient
from tests.simulator.clinic_year_record import ZONE, YearRecord, YearSession, YearVisit


class YearFacts:
    """Makes the facts; what does not change from one act to the next is kept."""

    def __init__(self, record: YearRecord) -> None:
        self._record = record
        self._held: tuple[tuple[str, int], dict[str, HeldSession]] = (("", 0), {})

    def standings(self, patient: str) -> list[VisitStanding]:
        """Return the visits of a patient as the check for gaps reads them."""
        return [
            one.standing or self._standing(one) for one in self._record.of_patient.get(patient, ())
        ]

    def _standing(self, one: YearVisit) -> VisitStanding:
        course = one.course
        day = course.get("act_on", "")
        if one.status == "attended" and one.took_place_on:
            limit = add_days(one.took_place_on, self._record.limits["result_within_days"])
            day = max(day, limit)
        one.standing = VisitStanding(
            record=one.record,
            case=one.case,
            plan_visit=one.plan_visit,
            status=one.status,
            owner_role=course.get("owner_role", ""),
            day=day,
            target_on=one.window[1],
            ended_because=course.get("ended_because", ""),
            is_end_sound=one.ended_by == CLINICIAN and course.get("ended_because") in END_REASONS,
            has_result=one.result_on != "",
        )
        return one.standing

    def booking_records(self, asked: set[str], today_on: str) -> BookingRecords:
        """Return what proposing reads: all that is booked from today on, and the visits asked."""
        visits = {
            one.record: _held_visit(one)
            for one in self._record.open_visits()
            if one.record in asked or (one.is_booked and one.course["booked_on"] >= today_on)
        }
        wanted = {one.patient for one in visits.values()}
        return BookingRecords(
            sessions=self._held_sessions(today_on),
            visits=visits,
            patients={
                name: HeldPatient(
                    record=name,
                    home_place=self._record.patients[name].home_place,
                    travels=self._record.patients[name].travels,
                    may_contact=self._record.patients[name].may_contact,
                )
                for name in sorted(wanted)
            },
        )

    def _held_sessions(self, today_on: str) -> dict[str, HeldSession]:
        key = (today_on, self._record.closings)
        if self._held[0] != key:
            later = [one for one in self._record.sessions.values() if one.on >= today_on]
            self._held = (key, {one.record: _held_session(one) for one in later})
        return self._held[1]

    def visit_facts(self, one: YearVisit) -> VisitFacts:
        """Return a visit as letters and measures read it."""
        course = one.course
        earliest_on, target_on, latest_on = one.window
        is_seen = one.status == "attended"
        return VisitFacts(
            record=one.record,
            patient=one.patient,
            case=one.case,
            label=one.label,
            status=one.status,
            ended_because=course.get("ended_because", ""),
            window=Window(earliest_on, target_on, latest_on),
            slot=one.slots[-1] if one.slots else None,
            slots=tuple(one.slots),
            owner=course.get("owner", ""),
            owner_role=course.get("owner_role", ""),
            act_on=course.get("act_on", ""),
            seen_on=one.took_place_on if is_seen else None,
            is_elsewhere="elsewhere" in course,
            home_place=self._record.patients[one.patient].home_place,
            outcomes=tuple(one.outcomes),
        )

    def patient_facts(self, name: str) -> PatientFacts:
        """Return a patient as letters read them."""
        patient = self._record.patients[name]
        return PatientFacts(
            record=name,
            family_name=f"Invented {patient.number}",
            address="1 Quay Lane\nPort Example",
            may_contact=patient.may_contact,
            home_place=patient.home_place,
        )

    def session_facts(self) -> dict[str, SessionFacts]:
        """Return the sessions as letters read them."""
        return {
            one.record: SessionFacts(
                record=one.record,
                place=one.place,
                on=one.on,
                starts=one.starts,
                time_zone=ZONE,
                capacity=one.capacity,
                closed_because=one.closed_because,
            )
            for one in self._record.sessions.values()
        }


def case_standing(patient: Patient) -> CaseStanding:
    """Return a treated and closed case as the check for gaps reads it."""
    reason = "Followed up by the unit that sent the patient." if patient.has_reason_for_none else ""
    return CaseStanding(
        record=patient.case, is_closed=True, reason=reason, is_reason_sound=bool(reason)
    )


def _held_session(one: YearSession) -> HeldSession:
    return HeldSession(
        record=one.record,
        place=one.place,
        on=one.on,
        starts=one.starts,
        capacity=one.capacity,
        equipment=one.equipment,
        closed_because=one.closed_because,
    )


def _held_visit(one: YearVisit) -> HeldVisit:
    bookings = ()
    if one.is_booked:
        bookings = (HeldBooking(one.session, one.course["booked_on"], one.stamp),)
    return HeldVisit(
        record=one.record,
        patient=one.patient,
        label=one.label,
        status=one.status,
        owner_role=one.course.get("owner_role", ""),
        urgency=one.course.get("urgency", 0),
        window=one.window,
        bookings=bookings,
        unsettled=(),
    )
