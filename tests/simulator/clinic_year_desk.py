"""The booking desk of the simulated clinic: two clerks, their lists, proposals and letters."""

import random
from collections.abc import Callable, Iterable, Iterator

import msgspec

from api.clinical_rules.civil_date import add_days
from api.clinical_rules.errors import CalculationRefusedError
from api.clinical_rules.visit_course_limits import find_book_by, find_escalation
from api.clinical_rules.visit_course_table import read_state
from api.documents.contact_bars import Bar, Expected, find_bar, find_letter_bar
from api.documents.letter_words import LetterKind
from api.use_cases.booking_records import BookingRecords, seat_bookings
from api.use_cases.propose_bookings import Proposal, propose_for_records
from tests.simulator.clinic_year_chances import CLERKS, Chances
from tests.simulator.clinic_year_facts import YearFacts
from tests.simulator.clinic_year_record import YearRecord, YearVisit

# How far ahead the desk books; the longest window after `book_ahead_days` lies within it.
HORIZON_DAYS = 90
# Tries on other days; the next one is agreed on with nobody.
TRY_AGAIN_DAYS = 2
FULL_AGAIN_DAYS = 5


class Letter(msgspec.Struct, frozen=True):
    """A letter somebody asked for, and the booking as it stood then."""

    visit: str
    kind: LetterKind
    expected: Expected


class Desk:
    """What the clerks do on a working day."""

    def __init__(
        self,
        record: YearRecord,
        chance: random.Random,
        chances: Chances,
        is_dead: Callable[[str, str], bool],
    ) -> None:
        self._record, self._chance, self._chances = record, chance, chances
        self._facts = YearFacts(record)
        # Whether nobody can answer the phone any more: the desk does not know why.
        self._is_dead = is_dead
        self.absent = ""
        self.is_offline = False
        self.letters: list[Letter] = []
        self.given_twice = 0

    def clerk_of(self, visit: YearVisit) -> str:
        """Return who works on a visit today: its owner, or by turns while nobody owns it."""
        owner = visit.course.get("owner", "")
        if owner and owner != self.absent:
            return str(owner)
        present = [one for one in CLERKS if one != self.absent]
        return present[int(visit.case[-1]) % len(present)]

    def hand_over(self, leaving: str, today_on: str) -> None:
        """Give every row of a clerk who is away to the other one, none left out."""
        self.absent = leaving
        other = next(one for one in CLERKS if one != leaving)
        for visit in self._record.open_visits():
            if visit.course.get("owner") != leaving:
                continue
            self._record.act(
                visit,
                "hand-over",
                "booking",
                today_on,
                owner_role=visit.course["owner_role"],
                owner=other,
                act_on=max(today_on, visit.course["act_on"]),
                because="Away for a month",
            )

    def book_displaced(self, today_on: str) -> None:
        """Find another session for whoever is booked into a closed one or one that is over full."""
        records = self._facts.booking_records(set(), today_on)
        over = {
            one["visit"]: one["because"]
            for answer in seat_bookings(records).values()
            for one in answer["over"]
        }
        if not over:
            return
        found = propose_for_records(
            records,
            today_on=today_on,
            until_on=add_days(today_on, HORIZON_DAYS),
            visits=sorted(over),
        )
        for proposal in found.proposals:
            if proposal.standing != "kept":
                self._book(proposal, today_on, because=over[proposal.visit])
        for left in found.unbooked:
            visit = self._record.visits[left.visit]
            self._cancel(visit, "unit", over[left.visit], today_on)

    def work_list(self, today_on: str) -> None:
        """Work through what is due: ask, book, hand on; offline each clerk sees the morning."""
        asked = {clerk: self._ask_patients(clerk, today_on) for clerk in CLERKS}
        morning = self._facts.booking_records({*asked[CLERKS[0]], *asked[CLERKS[1]]}, today_on)
        for clerk in CLERKS:
            wanted = asked[clerk]
            if wanted:
                records = (
                    morning if self.is_offline else self._facts.booking_records({*wanted}, today_on)
                )
                self._book_asked(wanted, records, today_on)
        if self.is_offline:
            now = self._facts.booking_records(set(), today_on)
            self.given_twice += sum(len(one["over"]) for one in seat_bookings(now).values())

    def _due(self, clerk: str, today_on: str) -> Iterator[YearVisit]:
        for visit in self._record.open_visits():
            course = visit.course
            if course.get("owner_role") != "booking" or visit.is_booked:
                continue
            if self.clerk_of(visit) == clerk:
                yield visit

    def _ask_patients(self, clerk: str, today_on: str) -> list[str]:
        """Return the visits whose patients were reached and want a day."""
        wanted = []
        chances = self._chances
        for visit in self._due(clerk, today_on):
            if self._escalate_where_due(visit, today_on):
                continue
            if visit.course["act_on"] > today_on:
                continue
            patient = self._record.patients[visit.patient]
            if not patient.may_contact:
                self._record.act(
                    visit, "escalate", "booking", today_on, because="Not to be contacted"
                )
                continue
            is_dead = self._is_dead(visit.patient, today_on)
            if is_dead or self._chance.random() < chances.no_answer:
                visit.course["failed_tries"] = visit.course.get("failed_tries", 0) + 1
                self._record.told["no answer"] += 1
                if not self._escalate_where_due(visit, today_on):
                    self._put_off(visit, today_on, TRY_AGAIN_DAYS, "No answer", clerk)
                continue
            visit.course.pop("failed_tries", None)
            if self._chance.random() < chances.seen_elsewhere:
                self._record.act(
                    visit,
                    "done-elsewhere",
                    "booking",
                    today_on,
                    day=today_on,
                    place="A clinic by the border",
                )
                visit.took_place_on = today_on
                continue
            if visit.status in ("no-show", "cancelled", "planned"):
                self._record.act(visit, "ask-to-book", "booking", today_on)
            wanted.append(visit.record)
        return wanted

    def _escalate_where_due(self, visit: YearVisit, today_on: str) -> bool:
        why = find_escalation(read_state(visit.course), visit.course, today_on, self._record.limits)
        if why:
            self._record.act(visit, "escalate", "booking", today_on, because=why)
            self._record.told[f"to clinician: {why}"] += 1
        return bool(why)

    def _put_off(
        self, visit: YearVisit, today_on: str, days: int, because: str, clerk: str
    ) -> None:
        """Set the next day to act on, as far as a desk may."""
        limits = self._record.limits
        act_on = max(add_days(today_on, days), find_book_by(visit.course, today_on, limits))
        self._record.act(
            visit,
            "hand-over",
            "booking",
            today_on,
            owner_role="booking",
            owner=clerk,
            act_on=act_on,
            because=because,
        )

    def _book_asked(self, wanted: list[str], records: BookingRecords, today_on: str) -> None:
        found = propose_for_records(
            records,
            today_on=today_on,
            until_on=add_days(today_on, HORIZON_DAYS),
            visits=wanted,
        )
        assert found.is_optimal
        proposed = {one.visit: one for one in found.proposals}
        unbooked = {one.visit: one.because for one in found.unbooked}
        for name in wanted:
            visit = self._record.visits[name]
            if name in proposed:
                self._book(proposed[name], today_on, because=proposed[name].because)
            else:
                because = unbooked.get(name, "Its window begins later")
                self._record.told["no place yet"] += name in unbooked
                self._put_off(visit, today_on, FULL_AGAIN_DAYS, because, self.clerk_of(visit))

    def _book(self, proposal: Proposal, today_on: str, because: str) -> None:
        visit = self._record.visits[proposal.visit]
        kind: LetterKind = "moved" if visit.is_booked else "appointment"
        if self._book_or_told(visit, proposal.session, today_on, because, self.clerk_of(visit)):
            self.ask_for_letter(visit, kind)
        elif visit.is_booked:
            self._cancel(visit, "unit", because, today_on)
        else:
            self._record.act(visit, "escalate", "booking", today_on, because="No place in time")

    def _book_or_told(
        self, visit: YearVisit, session: str, today_on: str, because: str, clerk: str
    ) -> bool:
        """Book or move a visit; False where the day is so late that it is a clinician's (CV9)."""
        try:
            self._record.book_visit(visit, session, "booking", today_on, because, clerk)
        except CalculationRefusedError as refused:
            if "so late a day is a clinician's" not in str(refused):
                raise
            self._record.told["too late a day for the desk"] += 1
            return False
        return True

    def _cancel(self, visit: YearVisit, by: str, because: str, today_on: str) -> None:
        self._record.act(visit, "cancel", "booking", today_on, cancelled_by=by, because=because)
        self.ask_for_letter(visit, "cancelled")

    def take_cancellations(self, today_on: str) -> None:
        """Note who rings to cancel, and who asks for another day of the same week or later."""
        for visit in self._record.open_visits():
            if not visit.is_booked or visit.course["booked_on"] <= today_on:
                continue
            # Once a booking, spread over the days that it stands.
            drawn = self._chance.random()
            if drawn < self._chances.patient_cancels / 20:
                self._cancel(visit, "patient", "Cannot come", today_on)
            elif drawn < (self._chances.patient_cancels + self._chances.wishes_another_day) / 20:
                self._move_a_week(visit, today_on)

    def _move_a_week(self, visit: YearVisit, today_on: str) -> None:
        here = self._record.sessions[visit.session]
        day = add_days(here.on, 7)
        taken = self.count_booked()
        for one in self._record.sessions.values():
            fits = one.on == day and one.place == here.place and one.equipment == here.equipment
            if fits and not one.closed_because and taken.get(one.record, 0) < one.capacity:
                # Whoever may not come later keeps the day.
                if self._book_or_told(visit, one.record, today_on, "The patient asked", ""):
                    self.ask_for_letter(visit, "moved")
                return

    def count_booked(self) -> dict[str, int]:
        """Return how many visits are booked into each session."""
        counts: dict[str, int] = {}
        for visit in self._record.open_visits():
            if visit.is_booked:
                counts[visit.session] = counts.get(visit.session, 0) + 1
        return counts

    def ask_for_letter(self, visit: YearVisit, kind: LetterKind) -> None:
        """Put a letter on the pile that is printed twice a week."""
        slot = visit.slots[-1] if visit.slots else None
        expected = Expected(visit.record, slot.on if slot else None, slot.time if slot else None)
        self.letters.append(Letter(visit.record, kind, expected))

    def print_letters(self, today_on: str) -> tuple[list[Letter], list[tuple[Letter, Bar]]]:
        """Return the letters that are printed and those withheld, as things stand now."""
        sessions = self._facts.session_facts() if self.letters else {}
        printed, withheld = [], []
        for letter in self.letters:
            visit = self._record.visits[letter.visit]
            facts = self._facts.visit_facts(visit)
            others: Iterable[YearVisit] = self._record.of_patient[visit.patient]
            found = find_bar(
                facts,
                self._facts.patient_facts(visit.patient),
                [self._facts.visit_facts(one) for one in others],
                held_back=frozenset(),
            ) or find_letter_bar(facts, letter.kind, letter.expected, sessions, on=today_on)
            if found is None:
                printed.append(letter)
            else:
                withheld.append((letter, found))
        self.letters = []
        return printed, withheld
