"""Why a patient is not written to now: looked at when a letter is made, not when it was asked for.

Dead, transferred, declined, not to be contacted, two answers, another booking (HAZ-45): the letter
is withheld and the reason told.
"""

from collections.abc import Iterable
from typing import Literal

import msgspec

from api.clinical_rules.clinic_facts import PatientFacts, SessionFacts, VisitFacts
from api.documents.letter_words import LetterKind
from api.record_catalogue.record_names import VisitName

BarReason = Literal[
    "not-on-record",
    "died",
    "same-number-died",
    "transferred",
    "ended",
    "do-not-contact",
    "two-answers",
    "booking-changed",
    "not-booked",
    "not-moved",
    "not-cancelled",
    "not-missed",
    "day-past",
    "session-changed",
    "no-address",
    "address-too-long",
    "no-phone",
    "cannot-print",
]
SENTENCES: dict[BarReason, str] = {
    "not-on-record": "No such visit of a known patient is on record. Look it up again.",
    "died": "The patient has died. Write to nobody.",
    "same-number-died": "Another record with this local number says that the patient has died. "
    "Write to nobody until a clinician has settled which is right.",
    "transferred": "The patient is with another unit now. Leave it to that unit.",
    "ended": "The visit has ended. If that is wrong, a clinician opens it again.",
    "do-not-contact": "The patient is not to be contacted. Ask the clinician.",
    "two-answers": "Two answers stand on the patient or the visit. Settle them under Decisions.",
    "booking-changed": "The booking is another one by now. Make the letter again.",
    "not-booked": "The visit is not booked. Book it first.",
    "not-moved": "The visit was never moved. Choose the letter for an appointment.",
    "not-cancelled": "The visit is not cancelled. Choose another letter.",
    "not-missed": "The visit was not missed. Choose another letter.",
    "day-past": "The day of the booking is past. Say first what became of the visit.",
    "session-changed": "The session was closed, moved or struck. Book the visit anew.",
    "no-address": "No address is on record. Ask for it and enter it.",
    "address-too-long": "The address has more than 5 lines and leaves the window. Shorten it.",
    "no-phone": "No phone number that can be used is on record. Ask for it and enter it.",
    "cannot-print": "The letter cannot be printed.",
}
# Six lines fit into the field for the recipient (DIN 5008:2020); the first is the name.
ADDRESS_LINES = 5


class Bar(msgspec.Struct, frozen=True):
    """Why a letter or reminder is withheld: an id to say it by, and an English sentence."""

    reason: BarReason
    because: str


class Expected(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A visit as somebody saw it when they asked: where it differs by now, nothing is sent."""

    visit: VisitName
    on: str | None = None
    time: str | None = None


def bar(reason: BarReason) -> Bar:
    """Return a bar with its sentence."""
    return Bar(reason, SENTENCES[reason])


def find_bar(
    visit: VisitFacts,
    patient: PatientFacts | None,
    others: Iterable[VisitFacts],
    *,
    held_back: frozenset[str],
) -> Bar | None:
    """Return why nobody writes to this patient about this visit at all; None where they may.

    Parameters
    ----------
    others : iterable of VisitFacts
        Every visit of the patient: a death recorded on one of them counts for all.
    held_back : frozenset of str
        Fields of visit and patient, as ``kind.field``, in which two answers hold letters back.
    """
    if patient is None:
        return bar("not-on-record")
    every = [visit, *others]
    reasons = {one.ended_because for one in every if one.status == "ended"}
    doubted = {
        name for one in every for name in one.conflicts if name in ("ended_because", "status")
    }
    if "died" in {one.ended_because for one in every}:
        return bar("died")
    if "transferred" in reasons and not _has_come_back(visit, every):
        return bar("transferred")
    if not patient.may_contact:
        return bar("do-not-contact")
    conflicts = {f"visit.{name}" for name in visit.conflicts}
    conflicts |= {f"patient.{name}" for name in patient.conflicts}
    if doubted or conflicts & held_back:
        return bar("two-answers")
    return bar("ended") if visit.status == "ended" else None


def _has_come_back(visit: VisitFacts, every: Iterable[VisitFacts]) -> bool:
    """Say whether a visit is of a case that began here after the patient was transferred (FG5).

    What the booking stream knows of a case is its visits: it began with the first of them.
    """
    left = {one.ended_on for one in every if one.ended_because == "transferred"}
    begun = {one.begun_on for one in every if one.case == visit.case}
    return bool(visit.case) and "" not in left and max(left) < min(begun)


def find_twin_bar(twins: Iterable[VisitFacts]) -> Bar | None:
    """Return why nobody writes while other records bear the patient's number; None for no reason.

    Parameters
    ----------
    twins : iterable of VisitFacts
        Every visit of other patient records with the same local number: one person may have two
        records, and the family would get the letter of the one that nobody knows the death of.
    """
    for one in twins:
        if one.ended_because == "died":
            return bar("same-number-died")
        if "ended_because" in one.conflicts:
            return bar("two-answers")
    return None


def find_letter_bar(
    visit: VisitFacts,
    kind: LetterKind,
    expected: Expected,
    sessions: dict[str, SessionFacts],
    *,
    on: str,
) -> Bar | None:
    """Return why this letter does not fit the visit as it stands; None where it does."""
    slot = visit.slot
    if expected.on is not None and (slot is None or slot.on != expected.on):
        return bar("booking-changed")
    if expected.time is not None and (slot is None or slot.time != expected.time):
        return bar("booking-changed")
    if kind in ("appointment", "moved"):
        return find_booking_bar(visit, sessions, on=on) or (
            bar("not-moved") if kind == "moved" and len(visit.slots) < 2 else None  # noqa: PLR2004
        )
    if kind == "cancelled" and (visit.status != "cancelled" or not visit.slots):
        return bar("not-cancelled")
    if kind == "missed" and (visit.status != "no-show" or not visit.outcomes):
        return bar("not-missed")
    return None if visit.is_open else bar("ended")


def find_booking_bar(
    visit: VisitFacts, sessions: dict[str, SessionFacts], *, on: str
) -> Bar | None:
    """Return why a booking is none to tell a patient of; None where it is one."""
    slot = visit.slot
    if not visit.is_booked or slot is None:
        return bar("not-booked")
    if slot.on < on:
        return bar("day-past")
    session = sessions.get(slot.session)
    if session is None:
        return bar("session-changed") if slot.session else None
    return bar("session-changed") if session.closed_because or session.on != slot.on else None
