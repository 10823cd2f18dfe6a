"""Which booked visits a reminder falls due for, and when (RD1-RD3)."""

from collections.abc import Iterable, Sequence
from typing import Annotated, Literal

import msgspec

from api.clinical_rules.civil_date import add_days
from api.clinical_rules.clinic_facts import VisitFacts
from api.clinical_rules.errors import RuleFileError
from api.clinical_rules.rule_file import Row

REMINDERS = "follow_up/reminders"


class ReminderRow(Row, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One reminder: so many days before the visit."""

    reminder: Literal["first", "second"]
    days_before: Annotated[int, msgspec.Meta(ge=1, le=60)]


class DueReminder(msgspec.Struct, frozen=True):
    """One reminder of one visit and the civil date on which it is to be sent."""

    visit: VisitFacts
    reminder: str
    send_on: str


def find_due_reminders(
    visits: Iterable[VisitFacts], rows: Sequence[ReminderRow], *, from_on: str, until_on: str
) -> list[DueReminder]:
    """Return the reminders to be sent on the days from one civil date to another, both included.

    Raises
    ------
    RuleFileError
        The second reminder does not come after the first, or one stands twice.

    Notes
    -----
    Rules RD1-RD3. A list for one day says nothing of what an earlier list held: ask for the days
    since the last one.
    """
    days = _days_of(rows)
    found = [
        DueReminder(visit, reminder, send_on)
        for visit in visits
        if visit.is_booked and visit.slot is not None
        for reminder, before in days.items()
        if from_on <= (send_on := add_days(visit.slot.on, -before)) <= until_on
    ]
    return sorted(found, key=lambda one: (one.send_on, one.visit.record, one.reminder))


def _days_of(rows: Sequence[ReminderRow]) -> dict[str, int]:
    days: dict[str, int] = {row.reminder: row.days_before for row in rows}
    is_in_order = days.get("first", 61) > days.get("second", 0)
    if len(days) != len(rows) or not is_in_order:
        message = (
            f"Rule file {REMINDERS} has a reminder twice, or a second one that is not after the "
            "first. Correct `days_before`."
        )
        raise RuleFileError(message)
    return days
