"""Why each visit is proposed for its session, in one or two plain sentences for a booking desk."""

from datetime import date

from api.booking.booking_costs import Choices, CostRules, Whole, days_allowed, may_offer
from api.booking.booking_problem import Problem, Session, Visit
from api.clinical_rules.civil_date import days_between
from api.clinical_rules.session_places import fits_session

_SESSIONS = {
    "": "session",
    "phone": "phone session",
    "scope": "session with scope",
    "ultrasound-scope": "session with ultrasound scope",
}
_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip
_CLOSED = {
    "holiday": "holiday",
    "staff-away": "staff away",
    "room-closed": "room closed",
    "equipment-out": "equipment out of use",
    "entered-in-error": "entered in error",
}


def explain_seats(
    problem: Problem, rules: CostRules, choices: Choices, seats: Whole
) -> tuple[str, ...]:
    """Return why, for each visit in order; for one that stays unbooked also what to do.

    Notes
    -----
    "Nearest free" is true by the optimum: a choice that costs less and has room would have been
    taken.
    """
    session_of = {session.record: session for session in problem.sessions}
    return tuple(
        _explain(
            visit,
            None if seat < 0 else problem.sessions[seat],
            _Told(problem, rules, session_of.get(visit.held), bool(can_keep)),
            has_choice=bool(choices.first[at + 1] > choices.first[at]),
        )
        for at, (visit, seat, can_keep) in enumerate(
            zip(problem.visits, seats.tolist(), choices.can_keep, strict=True)
        )
    )


class _Told:
    """What a sentence about one visit is made of beside the visit and its session."""

    def __init__(
        self, problem: Problem, rules: CostRules, held: Session | None, can_keep: bool
    ) -> None:
        self.problem, self.rules, self.held, self.can_keep = problem, rules, held, can_keep
        self._year = problem.first_on[:4]

    def day(self, on: str) -> str:
        """Return a day as people say it, with its year where that is another."""
        year, month, day = map(int, on.split("-"))
        named = f"{day} {_MONTHS[month - 1]}"
        return named if on[:4] == self._year else f"{named} {year}"


def _explain(visit: Visit, session: Session | None, told: _Told, *, has_choice: bool) -> str:
    if session is not None and session.record == visit.held and not visit.told_on:
        return f"Booked for {told.day(session.on)}; that booking stays."
    before = _say_why_not_held(visit, told)
    if session is None:
        return before + _say_why_unbooked(visit, told, has_choice=has_choice)
    named = _SESSIONS[visit.needs]
    elsewhere = ""
    if visit.home_place and session.place != visit.home_place:
        elsewhere = f" at {session.place}, not the patient's own place"
    if session.on == visit.target_on:
        found = f"Target {told.day(session.on)}, and a {named} is free on that day{elsewhere}."
    else:
        found = (
            f"Target {told.day(visit.target_on)}, nearest free {named} {told.day(session.on)}"
            f"{elsewhere}."
        )
    return before + found + _say_outside(visit, session, told)


def _say_why_not_held(visit: Visit, told: _Told) -> str:
    held = told.held
    if visit.told_on:
        return f"Booked for {told.day(visit.told_on)}, but that session is held on another day. "
    if held is None:
        return ""
    day = told.day(held.on)
    if told.can_keep:
        return f"Moved from {day}, which serves all visits better. "
    if held.closed_because == "not-held":
        return f"Booked for {day} into a session of which no day is on record. "
    if held.closed_because:
        why = _CLOSED.get(held.closed_because, "another reason")
        return f"The session of {day} is closed ({why}). "
    if not fits_session(visit.needs, held.equipment):
        return f"The session of {day} is no {_SESSIONS[visit.needs]}. "
    return f"The session of {day} has no place for this visit. "


def _say_outside(visit: Visit, session: Session, told: _Told) -> str:
    if session.on > visit.latest_on:
        past = days_between(visit.latest_on, session.on)
        return f" That is {_count(past)} after its window ends; give the reason when you book it."
    if session.on < visit.earliest_on:
        ahead = days_between(session.on, visit.earliest_on)
        return (
            f" That is {_count(ahead)} before its window begins; give the reason when you book it."
        )
    return ""


def _say_why_unbooked(visit: Visit, told: _Told, *, has_choice: bool) -> str:
    problem, named = told.problem, _SESSIONS[visit.needs]
    low, high = (
        date.fromordinal(day).isoformat()
        for day in days_allowed(visit, told.rules, problem.first_on)
    )
    from_on, until_on = max(low, problem.first_on), min(high, problem.until_on)
    if from_on > until_on:
        return (
            f"Its window begins on {told.day(visit.earliest_on)}. Propose until a later day, or "
            "ask a clinician for another window."
        )
    days = f"from {told.day(from_on)} to {told.day(until_on)}"
    where = " where the patient can be seen" if visit.places else ""
    if has_choice:
        return (
            f"Every {named}{where} {days} is full. Add a place, or ask a clinician which visit "
            "can wait."
        )
    if any(
        may_offer(visit, one) and problem.first_on <= one.on <= problem.until_on
        for one in problem.sessions
    ):
        return (
            f"No {named}{where} takes place {days}. Add one, or ask a clinician for another window."
        )
    return (
        f"No {named}{where} takes place from {told.day(problem.first_on)} to "
        f"{told.day(problem.until_on)}. Add one, or propose until a later day."
    )


def _count(days: int) -> str:
    return "1 day" if days == 1 else f"{days} days"
