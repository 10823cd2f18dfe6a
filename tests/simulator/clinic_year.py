"""A year of clinic life: invented patients, two clerks and a clinician, day by day, by real rules.

`python -m tests.simulator.clinic_year --patients 2000 --seed 1` plays it and prints the table by
quarters; it ends with 1 when the promise of follow-up was broken for anybody on any day. The same
seed plays the same year.
"""

import argparse
import random
import sys
import time
from collections import Counter
from datetime import date, timedelta

from api.booking.clinic_calendar import lay_out_sessions, list_holidays
from api.booking.clinic_pattern import WEEKDAYS, ClinicPattern, Equipment, WeeklySession
from api.clinical_rules.civil_date import add_days
from api.clinical_rules.clinic_facts import Outcome
from api.clinical_rules.rule_book import RuleBook
from api.storage.packaged_files import read_packaged_rule_files
from tests.simulator.clinic_year_chances import (
    AWAY_DAYS,
    AWAY_FROM,
    CLERKS,
    FLOOD_DAYS,
    FLOOD_FROM,
    FLOOD_NOTICE,
    OFFLINE_DAYS,
    OFFLINE_EVERY,
    PLACES,
    STAFF_AWAY_EVERY,
    Chances,
    Patient,
    draw_patient,
)
from tests.simulator.clinic_year_clinician import Clinician
from tests.simulator.clinic_year_desk import HORIZON_DAYS, Desk
from tests.simulator.clinic_year_record import ZONE, YearRecord, YearSession, YearVisit
from tests.simulator.clinic_year_table import print_table
from tests.simulator.clinic_year_watch import Watch

FIRST_ON = "2026-01-01"
DAYS = 365
# Until the end of the next winter, so that yearly looks fall due.
WHOLE_DAYS = 455
_COUNTRY, _PART = "GB", "ENG"
_SEASON_DAYS = 300
# Places of one session, by patients treated in the year: tight enough for the last one to count.
_SCOPE_SHARE, _ROOM_SHARE = 1 / 150, 1 / 130
# After so many days somebody who declined may come back.
_BACK_AFTER_DAYS = 60


class ClinicYear:
    """Plays the days one after the other; `days_held` counts those on which all was well."""

    def __init__(
        self, seed: int, patients: int, days: int = DAYS, chances: Chances | None = None
    ) -> None:
        self._chance = random.Random(seed)
        self._chances = chances or Chances()
        self.days, self.patients = days, patients
        until_on = add_days(FIRST_ON, days + HORIZON_DAYS)
        self._holidays = list_holidays(_COUNTRY, _PART, from_on=FIRST_ON, until_on=until_on)
        book = RuleBook(read_packaged_rule_files(), on=FIRST_ON)
        self.record = YearRecord(book, _lay_out(patients, until_on))
        self.desk = Desk(self.record, self._chance, self._chances, self._is_dead)
        self.clinician = Clinician(
            self.record, self.desk, self._chance, self._chances, self._is_dead
        )
        self.watch = Watch(self.record)
        self.days_held = 0
        self.tallies: dict[str, Counter[str]] = {}
        self._day = 0
        self._was_offline = False
        self._unknown: list[tuple[int, str, Patient]] = []
        self._back: list[tuple[int, Patient]] = []

    @property
    def today_on(self) -> str:
        return add_days(FIRST_ON, self._day)

    def run(self) -> None:
        """Play every day."""
        open_days = sum(self._is_open(add_days(FIRST_ON, n)) for n in range(self.days))
        worked = 0
        for day in range(self.days):
            self._day = day
            before = self._count_all()
            if self._is_open(self.today_on):
                first, worked = self.patients * worked // open_days, worked + 1
                self._play_day(range(first, self.patients * worked // open_days))
            held = self.watch.look(
                self.today_on, absent=self.desk.absent, was_offline=self._was_offline
            )
            self.days_held += held
            tally = self.tallies.setdefault(_quarter(self.today_on), Counter())
            tally.update(self._count_all() - before)
            tally["days"] += 1
            tally["days held"] += held

    def _play_day(self, newcomers: range) -> None:
        on = self.today_on
        self._change_surroundings(on)
        self.desk.book_displaced(on)
        self._receive(on)
        self._treat(newcomers, on)
        self._hear_news(on)
        self.desk.take_cancellations(on)
        self.clinician.note_results(on, self._next_open(on))
        self.clinician.work_list(on)
        self.desk.work_list(on)
        if date.fromisoformat(on).weekday() in (1, 3):
            printed, withheld = self.desk.print_letters(on)
            self.watch.look_at_letters(printed, on)
            self.record.told["letters printed"] += len(printed)
            for _, found in withheld:
                self.record.told["letters withheld"] += 1
                self.record.told[f"withheld: {found.reason}"] += 1
        self._was_offline = self.desk.is_offline

    # --- what happens to the unit ---------------------------------------------------------------

    def _change_surroundings(self, on: str) -> None:
        """Flood a place, send a clerk away for a month, cut the line, send a doctor home."""
        self.desk.is_offline = self._day % OFFLINE_EVERY < OFFLINE_DAYS
        if FLOOD_FROM <= self._day < FLOOD_FROM + FLOOD_DAYS:
            begins_on = add_days(FIRST_ON, FLOOD_FROM + FLOOD_NOTICE)
            ends_on = add_days(begins_on, FLOOD_DAYS - 1)
            for one in self.record.sessions.values():
                if one.place == PLACES[0] and max(on, begins_on) <= one.on <= ends_on:
                    self._close(one, "room-closed")
        if AWAY_FROM <= self._day < AWAY_FROM + AWAY_DAYS:
            if self.desk.absent != CLERKS[0]:
                self.desk.hand_over(CLERKS[0], on)
        else:
            self.desk.absent = ""
        if self._day % STAFF_AWAY_EVERY == 0:
            soon = [
                one
                for one in self.record.sessions.values()
                if add_days(on, 1) <= one.on <= add_days(on, 9) and not one.closed_because
            ]
            self._close(self._chance.choice(soon), "staff-away")

    def _close(self, session: YearSession, because: str) -> None:
        if session.closed_because:
            return
        self.record.close_session(session, because, self.today_on)
        hit = sum(one.session == session.record for one in self._booked())
        self.record.told["sessions closed"] += 1
        self.record.told["bookings displaced"] += hit

    def _booked(self) -> list[YearVisit]:
        return [one for one in self.record.open_visits() if one.is_booked]

    # --- what happens to patients ---------------------------------------------------------------

    def _treat(self, numbers: range, on: str) -> None:
        for number in numbers:
            patient = draw_patient(self._chance, number, on, self._day, self._chances)
            self.record.patients[patient.record] = patient
            self.record.of_patient[patient.record] = []
            self.record.told["treated"] += 1
            if not patient.has_reason_for_none:
                self.record.plan(patient, on)
            for what, day in patient.leaves.items():
                heard = day + (patient.news_after if what == "died" else 0)
                self._unknown.append((heard, what, patient))

    def _is_dead(self, patient: str, on: str) -> bool:
        day = self.record.patients[patient].leaves.get("died")
        return day is not None and add_days(FIRST_ON, day) <= on

    def _hear_news(self, on: str) -> None:
        """End the follow-up of whoever is known to have died, moved on or declined."""
        heard = [one for one in self._unknown if one[0] <= self._day]
        self._unknown = [one for one in self._unknown if one[0] > self._day]
        for _, what, patient in heard:
            self.clinician.end_follow_up(patient, what, on)
            comes_back = self._chance.random() < self._chances.comes_back
            if what == "declined" and comes_back and not patient.has_reason_for_none:
                self._back.append((self._day + _BACK_AFTER_DAYS, patient))
        for _, patient in [one for one in self._back if one[0] <= self._day]:
            self.clinician.reopen(patient, on)
        self._back = [one for one in self._back if one[0] > self._day]
        for patient in self.record.patients.values():
            if self._chance.random() < self._chances.changes_place_a_year / 250:
                patient.home_place = self._chance.choice(PLACES)
                self.record.told["moved house"] += 1

    def _receive(self, on: str) -> None:
        """Let today's patients come, or not."""
        for visit in self._booked():
            if visit.course["booked_on"] != on:
                continue
            place = self.record.sessions[visit.session].place
            stays_away = self._chance.random() < self._chances.stays_away
            if stays_away or self._is_dead(visit.patient, on):
                visit.misses = [*visit.misses, on]
                visit.outcomes = [*visit.outcomes, Outcome(on, place, "no-show")]
                self.record.act(visit, "no-show", "booking", on, because="Did not come")
                self.desk.ask_for_letter(visit, "missed")
                continue
            earliest_on, _, latest_on = visit.window
            self.record.act(visit, "came", "booking", on)
            visit.took_place_on = on
            visit.outcomes = [*visit.outcomes, Outcome(on, place, "attended")]
            self.record.told["seen in clinic within window"] += earliest_on <= on <= latest_on

    # --- the calendar ---------------------------------------------------------------------------

    def _is_open(self, on: str) -> bool:
        return date.fromisoformat(on).weekday() < 5 and on not in self._holidays

    def _next_open(self, on: str) -> str:
        day = date.fromisoformat(on) + timedelta(days=1)
        while not self._is_open(day.isoformat()):
            day += timedelta(days=1)
        return day.isoformat()

    def _count_all(self) -> Counter[str]:
        return self.record.told + Counter({"given twice": self.desk.given_twice})


def _quarter(on: str) -> str:
    return f"{on[:4]} Q{(int(on[5:7]) + 2) // 3}"


def _lay_out(patients: int, until_on: str) -> list[YearSession]:
    """Return every session of the year, those on holidays closed."""
    sizes: tuple[tuple[tuple[Equipment, ...], str, float], ...] = (
        (("ultrasound-scope",), "09:00", _SCOPE_SHARE),
        ((), "13:00", _ROOM_SHARE),
    )
    weekly = tuple(
        WeeklySession(
            weekday=weekday,
            place=place,
            starts=starts,
            capacity=max(1, round(patients * share)),
            equipment=equipment,
        )
        for weekday in WEEKDAYS[:5]
        for place in PLACES
        for equipment, starts, share in sizes
    )
    sessions, from_on = [], FIRST_ON
    while from_on <= until_on:
        last_on = min(until_on, add_days(from_on, _SEASON_DAYS))
        season = ClinicPattern(
            time_zone=ZONE,
            country=_COUNTRY,
            subdivision=_PART,
            from_on=from_on,
            until_on=last_on,
            sessions=weekly,
        )
        sessions += [
            YearSession(
                record=one.record,
                place=one.place,
                on=one.on,
                starts=one.starts,
                capacity=one.capacity,
                equipment=one.equipment,
                closed_because=one.closed_because,
            )
            for one in lay_out_sessions(season)
        ]
        from_on = add_days(last_on, 1)
    return sessions


def main() -> None:
    """Play the year that was asked for and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--patients", type=int, default=2_000)
    parser.add_argument("--days", type=int, default=WHOLE_DAYS)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    begun = time.process_time()
    year = ClinicYear(asked.seed, asked.patients, asked.days)
    year.run()
    print(print_table(year))
    for fault in year.watch.faults[:20]:
        print(f"{fault.on} {fault.whose}: {fault.what}")
    print(f"Seed {asked.seed}; {time.process_time() - begun:.0f} s of one processor.")
    sys.exit(bool(year.watch.faults))


if __name__ == "__main__":
    main()
