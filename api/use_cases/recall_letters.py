"""Whom to write to after a search of a lot: one row a patient, with why somebody is not written to.

The letter itself asks to get in touch and names no reason; who prints it has the addresses here.
"""

from collections.abc import Mapping

import msgspec

from api.clinical_rules.clinic_facts import Clinic, PatientFacts
from api.clinical_rules.letter_settings import LetterSettings
from api.documents.contact_bars import ADDRESS_LINES, bar
from api.documents.csv_text import write_csv
from api.documents.letter_words import choose_words
from api.documents.letters import lines_of, write_recall_page
from api.storage.unit_store import UnitStore
from api.use_cases.find_lots import RETURNED, LotSearch
from api.use_cases.implant_owners import FoundImplant
from api.use_cases.make_letters import print_possible, refuse_unset
from api.use_cases.read_clinic import read_clinic
from api.use_cases.unit_settings import read_unit_settings

HEADER = ("number", "name", "address", "language", "phone", "withheld", "page")
_DIED = "Somebody recorded that the patient died. Ask a clinician who is to be told."
_BARRED = "The patient is not to be contacted, or two answers stand. Ask a clinician."
_UNCLEAR = "The record does not say for certain who this is. Find out who had this case."
# Marks of a find after which nobody can tell whether this patient bears the device.
_UNSURE = frozenset({"struck", "case-struck", "two-patients", "patient-struck"})
_NO_ADDRESS = "No address is recorded. Call the patient, or ask for it."


class RecallLetter(msgspec.Struct, frozen=True, kw_only=True):
    """One patient to write to.

    Parameters
    ----------
    withheld : str
        Why there is no letter, "" where nothing speaks against it.
    page : int
        Which page of the printed letters it is, from 1; 0 where none was printed.
    is_draft : bool
        Nobody has reviewed the sentences of the language in which it was printed.
    """

    patient: str
    number: str
    name: str
    address: str
    language: str
    phone: str
    withheld: str
    page: int = 0
    is_draft: bool = False


class RecallLetters(msgspec.Struct, frozen=True):
    """Everybody that was found, the same as CSV, and the letters as PDF, None where none is."""

    letters: list[RecallLetter]
    csv: str
    pdf: bytes | None = None


def list_recall_letters(store: UnitStore, found: LotSearch, *, time_zone: str) -> RecallLetters:
    """Return everybody found, those apart whose lot nobody knows included, each once.

    A patient who moved to another unit is written to all the same: the implant went along.
    """
    return _tell(_list(store, found, read_clinic(store, time_zone=time_zone)))


def print_recall_letters(
    store: UnitStore, found: LotSearch, *, on: str, time_zone: str
) -> RecallLetters:
    """Return everybody found, with a letter of one page for each who may be written to.

    An address leaves the window of an envelope beyond five lines: that letter is withheld.

    Parameters
    ----------
    on : str
        Civil date of today; it stands on every letter.

    Raises
    ------
    CalculationError
        The unit has stated no name or phone number to call back.
    """
    settings = read_unit_settings(store, on=on)
    refuse_unset(settings)
    clinic = read_clinic(store, time_zone=time_zone)
    listed = {
        who: _withhold_long(one, clinic.patients.get(one.patient))
        for who, one in _list(store, found, clinic).items()
    }
    return _print(listed, clinic.patients, settings, on=on)


def _print(
    listed: dict[str, RecallLetter],
    patients: Mapping[str, PatientFacts],
    settings: LetterSettings,
    *,
    on: str,
) -> RecallLetters:
    ready = [who for who, one in listed.items() if not one.withheld]
    chosen = [choose_words(listed[who].language, settings.language) for who in ready]
    pages = [
        write_recall_page(patients[listed[who].patient], settings, words, on=on)
        for who, words in zip(ready, chosen, strict=True)
    ]
    pdf, lacking = print_possible(pages, settings, on=on)
    number = 0
    for place, (who, words) in enumerate(zip(ready, chosen, strict=True)):
        if place in lacking:
            listed[who] = msgspec.structs.replace(listed[who], withheld=lacking[place])
            continue
        number += 1
        is_draft = words.standing == "draft"
        listed[who] = msgspec.structs.replace(listed[who], page=number, is_draft=is_draft)
    return _tell(listed, pdf)


def _withhold_long(one: RecallLetter, facts: PatientFacts | None) -> RecallLetter:
    if one.withheld or facts is None or len(lines_of(facts.address)) <= ADDRESS_LINES:
        return one
    return msgspec.structs.replace(one, withheld=bar("address-too-long").because)


def _tell(listed: Mapping[str, RecallLetter], pdf: bytes | None = None) -> RecallLetters:
    rows = [
        (
            *(one.number or who, one.name, one.address, one.language, one.phone),
            *(one.withheld, str(one.page) if one.page else ""),
        )
        for who, one in listed.items()
    ]
    return RecallLetters(list(listed.values()), write_csv(HEADER, rows), pdf)


def _list(store: UnitStore, found: LotSearch, clinic: Clinic) -> dict[str, RecallLetter]:
    with store.transaction():
        dead = _dead_numbers(clinic)
        letters: dict[str, RecallLetter] = {}
        # A sure find leads: whoever is sure by one implant is written to.
        for one in sorted(found.implants, key=_is_unsure):
            who = one.patient or one.case or one.record
            if one.fate == RETURNED or who in letters:
                continue
            letters[who] = _write(one, clinic, dead)
    return letters


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
