"""The table of a visit's course: from which state which role may do which act, and what it needs.

Nothing in here reads a rule file: a unit sets days and counts, never who may end a follow-up.
"""

from collections.abc import Mapping
from typing import Any

import msgspec

NONE = "none"
TO_DO = (
    "planned",
    "to-book",
    "booked",
    "no-show",
    "cancelled-by-patient",
    "cancelled-by-unit",
)
TOOK_PLACE = ("attended", "done-elsewhere")
ENDED = "ended"
STATES = (NONE, *TO_DO, *TOOK_PLACE, ENDED)
ROLES = ("booking", "clinician")
END_REASONS = ("died", "transferred", "declined", "not-needed", "case-retracted")

_BOTH = ROLES
_CLINICIAN = ("clinician",)
_UNBOOKED = tuple(state for state in TO_DO if state != "booked")


class Act(msgspec.Struct, frozen=True):
    """One act: the states it starts from, who may do it, which keys it needs, where it leads.

    `leaves` is the recorded status; "" where an act changes the owner alone.
    """

    starts_from: tuple[str, ...]
    roles: tuple[str, ...]
    needs: tuple[str, ...]
    leaves: str


ACTS: Mapping[str, Act] = {
    "plan": Act((NONE,), _CLINICIAN, ("owner_role",), "planned"),
    "ask-to-book": Act(tuple(one for one in _UNBOOKED if one != "to-book"), _BOTH, (), "to-book"),
    "book": Act(_UNBOOKED, _BOTH, ("day",), "booked"),
    "move": Act(("booked",), _BOTH, ("day", "because"), "booked"),
    "cancel": Act(("booked",), _BOTH, ("cancelled_by", "because"), "cancelled"),
    "no-show": Act(("booked",), _BOTH, ("because",), "no-show"),
    "came": Act(TO_DO, _BOTH, (), "attended"),
    "done-elsewhere": Act(TO_DO, _BOTH, ("day", "place"), "attended"),
    "hand-over": Act((*TO_DO, *TOOK_PLACE), _BOTH, ("owner_role", "act_on", "because"), ""),
    "escalate": Act(TO_DO, _BOTH, ("because",), ""),
    "end": Act((*TO_DO, *TOOK_PLACE), _CLINICIAN, ("reason",), ENDED),
    "reopen": Act((*TOOK_PLACE, ENDED), _CLINICIAN, ("because",), "to-book"),
}
# What a desk may not do with a visit that a clinician holds: it would take it from the clinician.
_TAKES_FROM_CLINICIAN = ("ask-to-book", "hand-over")


def read_state(visit: Mapping[str, Any]) -> str:
    """Return the state of a visit from its recorded fields (CV1).

    A cancelled visit of an older record, in which nobody said who cancelled, counts as cancelled
    by the unit: the unit owes the next step.
    """
    status = str(visit["status"])
    if status == "cancelled":
        return f"cancelled-by-{visit.get('cancelled_by', 'unit')}"
    return "done-elsewhere" if status == "attended" and "elsewhere" in visit else status


def list_acts(state: str, role: str, owner_role: str | None) -> list[str]:
    """Return the acts that a role may do on a visit, in the order of the table (CV2, CV3)."""
    return [name for name in ACTS if is_allowed(name, state, role, owner_role)]


def is_allowed(name: str, state: str, role: str, owner_role: str | None) -> bool:
    """Say whether a role may do an act on a visit in this state (CV2, CV3)."""
    act = ACTS[name]
    if state not in act.starts_from or role not in act.roles:
        return False
    return not (is_clinicians(owner_role, role) and name in _TAKES_FROM_CLINICIAN)


def is_clinicians(owner_role: str | None, role: str) -> bool:
    """Say whether a clinician holds a visit that a desk wants to act on."""
    return owner_role == "clinician" and role == "booking"
