"""What the clinic knows of visits and patients, as plain facts: no finding, no implant, no value.

Made from the booking stream alone (FU-11); letters, lists and measures read nothing else.
"""

import msgspec

# A visit in one of these states is over; every other state asks for a next act.
FINAL = ("attended", "ended")


class Window(msgspec.Struct, frozen=True):
    """Civil dates between which a visit should take place; any of them may be missing."""

    earliest_on: str | None
    target_on: str | None
    latest_on: str | None


class Slot(msgspec.Struct, frozen=True):
    """A place in a session: civil date, time of day `HH:MM` or "", place, and the zone of both.

    `is_held` is False where the session is closed, struck, not on record or held on another day.
    """

    on: str
    time: str
    place: str
    session: str
    time_zone: str
    is_held: bool = True


class Outcome(msgspec.Struct, frozen=True):
    """What became of one appointment on one day: `attended` or `no-show`."""

    on: str
    place: str
    what: str


class Try(msgspec.Struct, frozen=True):
    """One try to reach a patient; `on` is its civil date or ""."""

    on: str
    how: str
    result: str


class VisitFacts(msgspec.Struct, frozen=True, kw_only=True):
    """One visit.

    Parameters
    ----------
    status : str
        As the catalogue names it, "" where it cannot be read.
    slot : Slot or None
        What is booked, or was last booked; None while two answers stand.
    slots : tuple of Slot
        Every booking that was ever made, also one struck since, oldest first.
    told_slots : tuple of Slot
        The same, each at every place that its session ever had: what calendars were told.
    rivals : tuple of Slot
        The bookings that stand side by side while two answers wait for a person.
    owners : tuple of str
        Everybody who ever held the visit, in order; `owner` is who holds it now.
    seen_on : str or None
        Civil date on which it took place, the earlier of the day booked and the day on which that
        was said; only with status `attended`.
    begun_on, ended_on : str
        Civil dates on which it was first written and last said to be ended, "" where not known.
    conflicts : tuple of str
        Fields in which two answers stand.
    sequence : int
        How often visit or session were written or struck, less one; never falls while a log grows.
    changed_ms : int
        Wall clock of the latest of those writings, in milliseconds.
    """

    record: str
    patient: str
    case: str = ""
    label: str = ""
    status: str = ""
    ended_because: str = ""
    window: Window = Window(None, None, None)
    slot: Slot | None = None
    slots: tuple[Slot, ...] = ()
    told_slots: tuple[Slot, ...] = ()
    rivals: tuple[Slot, ...] = ()
    owner: str = ""
    owner_role: str = ""
    owners: tuple[str, ...] = ()
    act_on: str = ""
    seen_on: str | None = None
    begun_on: str = ""
    ended_on: str = ""
    is_elsewhere: bool = False
    home_place: str = ""
    outcomes: tuple[Outcome, ...] = ()
    tries: tuple[Try, ...] = ()
    conflicts: tuple[str, ...] = ()
    sequence: int = 0
    changed_ms: int = 0

    @property
    def is_open(self) -> bool:
        """Say whether somebody still has to act."""
        return self.status not in FINAL

    @property
    def is_booked(self) -> bool:
        """Say whether the slot is one that the patient was given and that has not been answered."""
        return self.status == "booked" and self.slot is not None

    @property
    def place(self) -> str:
        """Where the visit counts: the place booked, else the patient's, else ""."""
        return self.slot.place if self.slot and self.slot.place else self.home_place


class PatientFacts(msgspec.Struct, frozen=True, kw_only=True):
    """One patient: name and contact. `may_contact` is False also while two answers stand.

    `numbers` are all local numbers that stand, to be compared: without case and outer spaces.
    """

    record: str
    family_name: str = ""
    given_name: str = ""
    local_id: str = ""
    numbers: frozenset[str] = frozenset()
    phone: str = ""
    address: str = ""
    letter_language: str = ""
    home_place: str = ""
    needs: tuple[str, ...] = ()
    may_contact: bool = True
    conflicts: tuple[str, ...] = ()


class SessionFacts(msgspec.Struct, frozen=True, kw_only=True):
    """One clinic session; `capacity` counts as 0 while it is closed."""

    record: str
    place: str
    on: str
    starts: str
    time_zone: str
    capacity: int
    closed_because: str = ""


class Clinic(msgspec.Struct, frozen=True, kw_only=True):
    """Everything the booking stream of a unit says on one moment.

    `struck_visits` were entered in error: they are none, but were told to calendars before.
    """

    visits: tuple[VisitFacts, ...] = ()
    struck_visits: tuple[VisitFacts, ...] = ()
    patients: dict[str, PatientFacts] = {}
    sessions: tuple[SessionFacts, ...] = ()
    unit_name: str = ""
    time_zone: str = "Europe/London"
