"""Whom to write to after a search of a lot: one row a patient, with why somebody is not written to.

The letter itself asks to get in touch and names no reason; who prints it has the addresses here.
"""

import msgspec

from api.clinical_rules.clinic_facts import Clinic
from api.documents.csv_text import write_csv
from api.storage.unit_store import UnitStore
from api.use_cases.find_lots import RETURNED, LotSearch
from api.use_cases.implant_owners import FoundImplant
from api.use_cases.read_clinic import read_clinic

HEADER = ("number", "name", "address", "language", "phone", "withheld")
_DIED = "Somebody recorded that the patient died. Ask a clinician who is to be told."
_BARRED = "The patient is not to be contacted, or two answers stand. Ask a clinician."
_UNCLEAR = "The record does not say for certain who this is. Find out who had this case."
# Marks of a find after which nobody can tell whether this patient bears the device.
_UNSURE = frozenset({"struck", "case-struck", "two-patients", "patient-struck"})
_NO_ADDRESS = "No address is recorded. Call the patient, or ask for it."


class RecallLetter(msgspec.Struct, frozen=True, kw_only=True):
    """One patient to write to; `withheld` says why not, "" where nothing speaks against it."""

    patient: str
    number: str
    name: str
    address: str
    language: str
    phone: str
    withheld: str


class RecallLetters(msgspec.Struct, frozen=True):
    """Everybody that was found, and the same as CSV."""

    letters: list[RecallLetter]
    csv: str


def list_recall_letters(store: UnitStore, found: LotSearch, *, time_zone: str) -> RecallLetters:
    """Return everybody found, those apart whose lot nobody knows included, each once.

    A patient who moved to another unit is written to all the same: the implant went along.
    """
    clinic = read_clinic(store, time_zone=time_zone)
    with store.transaction():
        dead = _dead_numbers(clinic)
        letters: dict[str, RecallLetter] = {}
        # A sure find leads: whoever is sure by one implant is written to.
        for one in sorted(found.implants, key=_is_unsure):
            who = one.patient or one.case or one.record
            if one.fate == RETURNED or who in letters:
                continue
            letters[who] = _write(one, clinic, dead)
    rows = [
        (one.number or who, one.name, one.address, one.language, one.phone, one.withheld)
        for who, one in letters.items()
    ]
    return RecallLetters(list(letters.values()), write_csv(HEADER, rows))


def _is_unsure(one: FoundImplant) -> bool:
    return not _UNSURE.isdisjoint(one.marks)


def _write(one: FoundImplant, clinic: Clinic, dead: set[str]) -> RecallLetter:
    patient = one.patient
    facts = clinic.patients.get(patient)
    withheld = ""
    if facts is None:
        withheld = _UNCLEAR
    elif patient in dead or facts.numbers & dead:
        withheld = _DIED
    elif not facts.may_contact:
        withheld = _BARRED
    elif _is_unsure(one) or set(facts.conflicts) & {
        "family_name",
        "given_name",
        "address",
        "identity",
    }:
        withheld = _UNCLEAR
    elif not facts.address:
        withheld = _NO_ADDRESS
    return RecallLetter(
        patient=patient,
        number=one.number,
        name=one.name,
        address=facts.address if facts else "",
        language=facts.letter_language if facts else "",
        phone=facts.phone if facts else "",
        withheld=withheld,
    )


def _dead_numbers(clinic: Clinic) -> set[str]:
    """Return records and local numbers of whom anybody recorded that they died.

    One person may have two records: the family is not written to under the other one.
    """
    dead: set[str] = set()
    for visit in clinic.visits:
        if visit.ended_because == "died" or "ended_because" in visit.conflicts:
            facts = clinic.patients.get(visit.patient)
            dead.add(visit.patient)
            dead.update(facts.numbers if facts else ())
    return dead - {""}
