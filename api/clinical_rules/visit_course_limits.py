"""Until when somebody acts on a visit, and from when on a clinician does."""

from collections.abc import Mapping
from typing import Any

from api.clinical_rules.civil_date import add_days, days_between
from api.clinical_rules.follow_up_rows import EARLY_LOOK, EarlyLookRow
from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.rule_file import Days, RuleFile
from api.clinical_rules.sizing_limits import LimitRow, Limits
from api.clinical_rules.visit_course_table import TO_DO

COURSE = "follow_up/course"
NO_SHOWS = "no_shows_to_clinician"


class CourseRow(LimitRow, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One limit by name, in days or as a count."""

    amount: Days


def read_course_limits(rule_book: RuleBook) -> tuple[Limits, list[RuleFile[Any]]]:
    """Return the limits by name, and the rule files they come from.

    A limit that nobody has approved yet still holds: without it nobody would be told (CV8).

    Raises
    ------
    RuleFileError
        A file or an item is missing.
    """
    course: RuleFile[Any] = rule_book.rule_file_or_listed(COURSE, CourseRow)
    early = rule_book.rule_file_or_listed(EARLY_LOOK, EarlyLookRow)
    limits = Limits(course)
    limits[NO_SHOWS] = early.rows[0].no_shows_to_clinician
    files: list[RuleFile[Any]] = [course, early]
    return limits, files


def find_escalation(
    state: str, visit: Mapping[str, Any], today_on: str, limits: Mapping[str, int]
) -> str:
    """Return why a clinician has to look at a visit, "" where none has to (CV8).

    Parameters
    ----------
    state : str
        As `read_state` gives it. What is booked waits for its day, unless that lies too late.
    visit : mapping
        ``window``, ``act_on``, ``booked_on``, ``owner_role``, ``no_shows`` of all times, and
        ``failed_tries`` since the patient was last reached or a clinician last decided; each where
        known.
    today_on : str
        Civil date.
    limits : mapping
        From `read_course_limits`.

    Returns
    -------
    str
        ``late``, ``no-shows``, ``no-answer`` or "". The first two wait for the day by which the
        owner acts: a clinician who gave such a visit back is not asked again before it. A booking
        that lies too late is late at once, until a clinician holds it.
    """
    if state == "booked":
        is_held = visit.get("owner_role") == "clinician"
        is_far = lies_too_late(visit.get("booked_on", ""), visit, today_on, limits)
        return "late" if is_far and not is_held else ""
    if state not in TO_DO:
        return ""
    latest_on = visit["window"]["latest_on"] if "window" in visit else None
    is_late = latest_on is not None and (
        days_between(latest_on, today_on) > limits["late_days_to_clinician"]
    )
    if today_on > visit.get("act_on", ""):
        if is_late:
            return "late"
        if visit.get("no_shows", 0) >= limits[NO_SHOWS]:
            return "no-shows"
    if visit.get("failed_tries", 0) >= limits["failed_tries_to_clinician"]:
        return "no-answer"
    return ""


def lies_too_late(
    day: str, visit: Mapping[str, Any], today_on: str, limits: Mapping[str, int]
) -> bool:
    """Say whether a day of a booking is a clinician's to choose (CV8, CV9).

    That is more than ``late_days_to_clinician`` after the latest date, or after today where that
    has passed: whoever is late already is still booked at the desk, and soon.
    """
    if "window" not in visit:
        return False
    counted_from = max(visit["window"]["latest_on"], today_on)
    return day > add_days(counted_from, limits["late_days_to_clinician"])


def find_book_by(visit: Mapping[str, Any], today_on: str, limits: Mapping[str, int]) -> str:
    """Return the day from which a desk looks for a place: never before today."""
    if "window" not in visit:
        return today_on
    return max(today_on, add_days(visit["window"]["target_on"], -limits["book_ahead_days"]))
