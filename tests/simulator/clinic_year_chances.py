"""How often what happens in the simulated year of a clinic: every figure here is invented.

None is a clinical fact and none has a source. They are set high, so that a year of 300 patients
meets each event; what the simulation proves holds whatever they are.
"""

import random

import msgspec

# Months in which the unit has its troubles, as days from the first day of the year.
FLOOD_FROM, FLOOD_DAYS, FLOOD_NOTICE = 150, 14, 1
AWAY_FROM, AWAY_DAYS = 95, 30
OFFLINE_EVERY, OFFLINE_DAYS = 45, 3
STAFF_AWAY_EVERY = 23
PLACES = ("Harbour clinic", "Hill clinic", "Mill clinic")
CLERKS = ("staff/desk-1", "staff/desk-2")
CLINICIAN = "staff/clinician-1"


class Chances(msgspec.Struct, frozen=True, kw_only=True):
    """Shares of 1, each per event named."""

    stays_away: float = 0.12
    patient_cancels: float = 0.08
    no_answer: float = 0.2
    seen_elsewhere: float = 0.02
    changes_place_a_year: float = 0.08
    dies_a_year: float = 0.15
    is_transferred_a_year: float = 0.06
    declines_a_year: float = 0.03
    comes_back: float = 0.3
    not_to_be_contacted: float = 0.01
    no_follow_up: float = 0.01
    wishes_another_day: float = 0.02
    obliterated_at_first: float = 0.6
    obliterated_by_session: float = 0.7
    recurs: float = 0.06
    cannot_be_seen: float = 0.06
    session_does_not_treat: float = 0.1
    is_ended_by_review: float = 0.3


# How long until the unit hears of a death or a move, in days.
LONGEST_NEWS_DAYS = 20


class Patient(msgspec.Struct, kw_only=True):
    """One invented patient: what is true of them, whether the unit knows it or not.

    Parameters
    ----------
    index_on : str
        Day of the treatment.
    leaves : dict of str to int
        Day number of the year on which what happens: died, transferred, declined; empty for most.
    news_after : int
        Days until the unit hears of a death.
    has_flow : bool
        Whether blood still runs through the varix.
    """

    number: int
    index_on: str
    acute_bleed: bool
    conditions: dict[str, object]
    home_place: str
    travels: bool
    may_contact: bool
    has_reason_for_none: bool
    leaves: dict[str, int]
    news_after: int
    has_flow: bool

    @property
    def record(self) -> str:
        return f"patient/p{self.number:04}"

    @property
    def case(self) -> str:
        return f"case/c{self.number:04}"


def draw_patient(
    chance: random.Random, number: int, index_on: str, day: int, chances: Chances
) -> Patient:
    """Return the next patient, treated on a day of the year."""
    leaves: dict[str, int] = {}
    rates = (
        ("died", chances.dies_a_year),
        ("transferred", chances.is_transferred_a_year),
        ("declined", chances.declines_a_year),
    )
    for what, rate in rates:
        after = int(chance.expovariate(rate) * 365)
        # Whoever was treated today is alive and here today.
        leaves[what] = day + 1 + after
    first = min(leaves, key=lambda what: leaves[what])
    return Patient(
        number=number,
        index_on=index_on,
        acute_bleed=chance.random() < 0.4,
        conditions={
            "cirrhosis": chance.random() < 0.7,
            "child_class": chance.choice("ABC"),
            "transplant_listed": chance.random() < 0.05,
            "on_beta_blocker": chance.random() < 0.4,
            "oesophageal_banded": chance.random() < 0.2,
            "adhesive_ul": chance.randrange(500, 6_000, 100),
            "coils": chance.randrange(1, 6),
        },
        home_place=chance.choice(PLACES),
        travels=chance.random() < 0.5,
        may_contact=chance.random() >= chances.not_to_be_contacted,
        has_reason_for_none=chance.random() < chances.no_follow_up,
        leaves={first: leaves[first]},
        news_after=chance.randrange(LONGEST_NEWS_DAYS),
        has_flow=chance.random() >= chances.obliterated_at_first,
    )


def draw_finding(
    chance: random.Random, patient: Patient, kind: str, chances: Chances
) -> dict[str, bool]:
    """Return what a visit of a kind shows, and change the patient where it treats."""
    if kind in ("look", "yearly"):
        if chance.random() < chances.cannot_be_seen:
            return {"not_seen": True}
        if not patient.has_flow and chance.random() < chances.recurs:
            patient.has_flow = True
        return {"doppler_flow": patient.has_flow, "obliterated": not patient.has_flow}
    if kind == "treatment":
        treats = chance.random() >= chances.session_does_not_treat
        if treats and chance.random() < chances.obliterated_by_session:
            patient.has_flow = False
        return {"retreated": treats}
    return {}
