"""Make letters: what each says, who is not written to and why, and one PDF of the rest (FU-08)."""

from collections import defaultdict
from collections.abc import Sequence
from importlib import resources

import msgspec

from api.clinical_rules.clinic_facts import Clinic, PatientFacts, VisitFacts
from api.clinical_rules.letter_settings import LetterSettings
from api.documents.contact_bars import (
    ADDRESS_LINES,
    Bar,
    Expected,
    bar,
    find_bar,
    find_letter_bar,
    find_twin_bar,
)
from api.documents.letter_words import LetterKind, choose_words
from api.documents.letters import LetterPage, lines_of, print_letters, write_page
from api.documents.printing import PrintingError
from api.record_catalogue.conflict_effects import read_conflict_effects
from api.storage.unit_store import UnitStore
from api.use_cases.errors import CalculationError
from api.use_cases.read_clinic import read_clinic
from api.use_cases.unit_settings import read_unit_settings

MAX_LETTERS = 500
# What two answers hold back so that nobody is written to (CF3).
_OF_PATIENT = {"identity", "letter"}
_OF_VISIT = {"identity", "letter", "booking"}
# A letter says what somebody needs: with two answers it would leave it out in silence.
_SAID_IN_LETTERS = frozenset({"patient.needs"})


class MadeLetter(msgspec.Struct, frozen=True):
    """One letter of the PDF.

    Parameters
    ----------
    asked_language : str
        What the patient reads, "" where it is not recorded.
    language : str
        What the letter is written in.
    is_draft : bool
        Nobody has reviewed the sentences of that language.
    """

    visit: str
    page: int
    asked_language: str
    language: str
    is_draft: bool


class Withheld(msgspec.Struct, frozen=True):
    """A letter that was not made, and why."""

    visit: str
    reason: str
    because: str


class MadeLetters(msgspec.Struct, frozen=True):
    """The PDF (None without a letter), what stands in it, and what was withheld."""

    pdf: bytes | None
    letters: list[MadeLetter]
    withheld: list[Withheld]


def make_letters(
    store: UnitStore,
    wanted: Sequence[Expected],
    kind: LetterKind,
    *,
    on: str,
    time_zone: str,
) -> MadeLetters:
    """Return the letters of one kind about several visits, as they stand now (HAZ-45).

    Parameters
    ----------
    on : str
        Civil date of today; it stands on every letter.

    Raises
    ------
    CalculationError
        The unit has stated no phone number or name, or too many letters are asked for.
    """
    if len(wanted) > MAX_LETTERS:
        message = f"{len(wanted)} letters are too many at once. Ask for {MAX_LETTERS} at most."
        raise CalculationError(message)
    settings = read_unit_settings(store, on=on)
    refuse_unset(settings)
    desk = Desk(read_clinic(store, time_zone=time_zone), held_back_fields(store))
    ready: list[tuple[str, str, LetterPage]] = []
    withheld: list[Withheld] = []
    # The same visit twice is one letter.
    for expected in {one.visit: one for one in wanted}.values():
        found = desk.bar_of(expected.visit) or desk.letter_bar_of(expected, kind, on=on)
        if found is not None:
            withheld.append(Withheld(expected.visit, found.reason, found.because))
            continue
        visit = desk.visits[expected.visit]
        patient = desk.clinic.patients[visit.patient]
        words = choose_words(patient.letter_language, settings.language)
        page = write_page(kind, visit, patient, settings, words, on=on)
        ready.append((visit.record, patient.letter_language, page))
    pdf, lacking = print_possible([page for *_, page in ready], settings, on=on)
    withheld += [Withheld(ready[place][0], "cannot-print", why) for place, why in lacking.items()]
    ready = [one for place, one in enumerate(ready) if place not in lacking]
    letters = [
        MadeLetter(visit, number, asked, page.language, is_draft(page.language))
        for number, (visit, asked, page) in enumerate(ready, start=1)
    ]
    return MadeLetters(pdf, letters, withheld)


class Desk:
    """The clinic as somebody sees it who is about to write to patients."""

    def __init__(self, clinic: Clinic, held_back: frozenset[str]) -> None:
        self.clinic = clinic
        self.visits = {one.record: one for one in clinic.visits}
        self.sessions = {one.record: one for one in clinic.sessions}
        self._held_back = held_back
        self._of_patient: dict[str, list[VisitFacts]] = defaultdict(list)
        for one in clinic.visits:
            self._of_patient[one.patient].append(one)
        self._with_number: dict[str, list[str]] = defaultdict(list)
        for person in clinic.patients.values():
            for number in person.numbers:
                self._with_number[number].append(person.record)

    def patient_of(self, visit: VisitFacts) -> PatientFacts | None:
        """Return the patient of a visit."""
        return self.clinic.patients.get(visit.patient)

    def bar_of(self, record: str) -> Bar | None:
        """Return why nobody is written to about a visit."""
        visit = self.visits.get(record)
        if visit is None:
            return bar("not-on-record")
        patient = self.patient_of(visit)
        others = self._of_patient[visit.patient]
        return find_bar(visit, patient, others, held_back=self._held_back) or find_twin_bar(
            self._of_twins(patient)
        )

    def _of_twins(self, patient: PatientFacts | None) -> list[VisitFacts]:
        """Return the visits of other records that bear a number of the patient."""
        numbers = sorted(patient.numbers) if patient else []
        twins = {name: None for number in numbers for name in self._with_number[number]}
        own = patient.record if patient else ""
        return [one for name in twins if name != own for one in self._of_patient[name]]

    def letter_bar_of(self, expected: Expected, kind: LetterKind, *, on: str) -> Bar | None:
        """Return why a letter does not fit, or cannot reach the patient."""
        visit = self.visits[expected.visit]
        found = find_letter_bar(visit, kind, expected, self.sessions, on=on)
        address = lines_of(self.clinic.patients[visit.patient].address)
        if found is None and not address:
            return bar("no-address")
        if found is None and len(address) > ADDRESS_LINES:
            return bar("address-too-long")
        return found


def held_back_fields(store: UnitStore) -> frozenset[str]:
    """Return the fields, as ``kind.field``, in which two answers hold letters back (CF3)."""
    content = (resources.files("api.record_catalogue") / "conflict_effects.json").read_bytes()
    effects = read_conflict_effects(content, store.catalogue)
    return _SAID_IN_LETTERS | {
        f"{kind}.{field.id}"
        for kind, wanted in (("patient", _OF_PATIENT), ("visit", _OF_VISIT))
        for field in store.catalogue.kinds[kind].fields
        if wanted & set(effects.of(kind, field.id))
    }


def is_draft(language: str) -> bool:
    """Say whether nobody has reviewed the sentences of a language."""
    return choose_words(language).standing == "draft"


def refuse_unset(settings: LetterSettings) -> None:
    """Refuse to write for a unit that nobody could call back.

    Raises
    ------
    CalculationError
        Its name or phone number is not stated.
    """
    lacking = [item for item in ("unit_name", "unit_phone") if not getattr(settings, item).strip()]
    if lacking:
        message = (
            f"The unit has not stated its {' and '.join(lacking)}. Write a version of "
            "letters/settings with it, then `crura rules propose` it and let two people approve it."
        )
        raise CalculationError(message)


def print_possible(
    pages: Sequence[LetterPage], settings: LetterSettings, *, on: str
) -> tuple[bytes | None, dict[int, str]]:
    """Print what can be printed; one letter that cannot holds no other back.

    Returns
    -------
    tuple of bytes or None and dict
        The PDF, None without a page; and why a page is not in it, by its place in `pages`.
    """
    if not pages:
        return None, {}
    try:
        return print_letters(list(pages), settings, on=on), {}
    except PrintingError:
        lacking: dict[int, str] = {}
        for place, page in enumerate(pages):
            try:
                print_letters([page], settings, on=on)
            except PrintingError as error:
                lacking[place] = str(error)
        if not lacking:
            raise
        good = [page for place, page in enumerate(pages) if place not in lacking]
        return (print_letters(good, settings, on=on) if good else None), lacking
