"""What is asked about the course of a visit: its keys and types."""

from api.clinical_rules.shapes import civil_date, natural_number, one_of, shape, text
from api.clinical_rules.visit_course_table import ACTS, END_REASONS, ENDED, NONE, ROLES

_STATUSES = (
    NONE,
    "planned",
    "to-book",
    "booked",
    "no-show",
    "cancelled",
    "attended",
    ENDED,
)
_WINDOW = shape({"earliest_on": civil_date, "target_on": civil_date, "latest_on": civil_date})
_VISIT = shape(
    {"status": one_of(*_STATUSES)},
    {
        "cancelled_by": one_of("patient", "unit"),
        "elsewhere": shape({"on": civil_date, "place": text}),
        "ended_because": one_of(*END_REASONS),
        "owner_role": one_of(*ROLES),
        "owner": text,
        "act_on": civil_date,
        "urgency": natural_number,
        "window": _WINDOW,
        "booked_on": civil_date,
        "no_shows": natural_number,
        "failed_tries": natural_number,
    },
)
_ACT = shape(
    {"act": one_of(*ACTS), "role": one_of(*ROLES), "today_on": civil_date},
    {
        "day": civil_date,
        "because": text,
        "cancelled_by": one_of("patient", "unit"),
        "place": text,
        "owner_role": one_of(*ROLES),
        "owner": text,
        "act_on": civil_date,
        "reason": one_of(*END_REASONS),
    },
)
READ_TAKE = shape({"visit": _VISIT, "act": _ACT})
READ_LOOK = shape({"visit": _VISIT, "role": one_of(*ROLES), "today_on": civil_date})
