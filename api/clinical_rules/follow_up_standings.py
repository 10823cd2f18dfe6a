"""How follow-up stands, visit by visit and case by case: what the search for gaps reads (FG1-FG10).

Pure: made from the record by `check_follow_up`, from a simulated one by tests.
"""

import msgspec

_OVER = ("attended", "ended")
# How a reason ends in the record that somebody put off.
_PUT_OFF = "note later"


def is_before(day: str, other: str) -> bool:
    """Say whether a civil date lies before another; what is not known does not."""
    return "" < day < other


class VisitStanding(msgspec.Struct, frozen=True, kw_only=True):
    """One visit as the record shows it; "" where something is not known.

    Parameters
    ----------
    day : str
        Civil date of the next act; of a visit that took place, until when its result is noted.
    is_end_sound : bool
        An end that a clinician gave, with one of the reasons.
    ended_on : str
        Civil date on which it was given.
    has_result : bool
        What it showed is noted, with a finding where the visit looks for one.
    conflicts : tuple of str
        Fields that decide on the next act and in which two answers stand.
    """

    record: str
    case: str = ""
    plan_visit: str = ""
    status: str = ""
    owner_role: str = ""
    day: str = ""
    target_on: str = ""
    ended_because: str = ""
    is_end_sound: bool = False
    ended_on: str = ""
    has_result: bool = False
    conflicts: tuple[str, ...] = ()

    @property
    def is_open(self) -> bool:
        """Say whether somebody still has to act; two answers keep a visit open."""
        return self.status not in _OVER or "status" in self.conflicts

    @property
    def awaits_result(self) -> bool:
        """Say whether it took place and somebody holds it until what it showed is noted (FG4)."""
        is_whole = self.owner_role != "" and self.day != "" and not self.conflicts
        return self.status == "attended" and not self.has_result and is_whole

    @property
    def has_ended(self) -> bool:
        """Say whether a clinician ended it with a reason (FG6); two answers end nothing."""
        return self.status == "ended" and self.is_end_sound and not self.conflicts


class CaseStanding(msgspec.Struct, frozen=True, kw_only=True):
    """One case that was treated or closed.

    Parameters
    ----------
    is_closed : bool
        Closed, closing, or of a day before today: its plan is due.
    treated_on : str
        Civil date of the last treatment in it, "" where none is known.
    reason : str
        Why there is no follow-up, "" where none is given.
    is_reason_sound : bool
        A clinician gave it.
    reason_on, reason_due_on : str
        Civil dates on which it was given, and by which one that was put off is to come.
    has_two_reasons : bool
        Two answers stand.
    """

    record: str
    is_closed: bool
    treated_on: str = ""
    reason: str = ""
    is_reason_sound: bool = False
    reason_on: str = ""
    reason_due_on: str = ""
    has_two_reasons: bool = False

    @property
    def is_put_off(self) -> bool:
        """Say whether the reason is still to come: it ends nothing (FG8)."""
        return self.reason.casefold().endswith(_PUT_OFF)

    @property
    def has_reason(self) -> bool:
        """Say whether a clinician's reason ends it; a treatment after that asks anew (FG5)."""
        is_sound = self.is_reason_sound and not self.has_two_reasons and not self.is_put_off
        return self.reason != "" and is_sound and not is_before(self.reason_on, self.treated_on)
