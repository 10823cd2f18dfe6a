"""Letters to patients: from a visit and a patient to one page, and from pages to a PDF (FU-08)."""

from collections.abc import Sequence
from typing import Any

import msgspec

from api.clinical_rules.clinic_facts import PatientFacts, VisitFacts
from api.clinical_rules.letter_settings import LetterSettings
from api.documents.letter_words import Letter, LetterKind, LetterWords
from api.documents.printing import print_pdf


class LetterPage(msgspec.Struct, frozen=True, kw_only=True):
    """One letter as the layout takes it; `details` are pairs of a label and what stands by it."""

    language: str
    unit_name: str
    unit_address: list[str]
    unit_phone: str
    phone_label: str
    return_line: str
    recipient: list[str]
    date: str
    title: str
    greeting: str
    before: list[str]
    details: list[tuple[str, str]]
    after: list[str]
    closing: str
    reference: str


def lines_of(text: str) -> list[str]:
    """Return the lines of a text, without empty ones."""
    return [line.strip() for line in text.splitlines() if line.strip()]


def write_page(
    kind: LetterKind,
    visit: VisitFacts,
    patient: PatientFacts,
    settings: LetterSettings,
    words: LetterWords,
    *,
    on: str,
) -> LetterPage:
    """Return the letter of a kind about a visit.

    Parameters
    ----------
    on : str
        Civil date that stands on the letter.
    """
    is_for_a_day = kind in ("appointment", "moved")
    meant = _day_meant(kind, visit)
    return _fill(
        words.letters[kind],
        patient,
        settings,
        words,
        on=on,
        day=words.say_date(meant) if meant else "",
        details=_details(visit, settings, words) if is_for_a_day else [],
        needs=[words.needs[need] for need in patient.needs if is_for_a_day and need in words.needs],
    )


def write_recall_page(
    patient: PatientFacts, settings: LetterSettings, words: LetterWords, *, on: str
) -> LetterPage:
    """Return the letter to whom a search of a lot found: it asks to call, and names no reason.

    Parameters
    ----------
    on : str
        Civil date that stands on the letter.
    """
    return _fill(words.recall, patient, settings, words, on=on)


def _fill(
    letter: Letter,
    patient: PatientFacts,
    settings: LetterSettings,
    words: LetterWords,
    *,
    on: str,
    day: str = "",
    details: Sequence[tuple[str, str]] = (),
    needs: Sequence[str] = (),
) -> LetterPage:
    fields = {
        "given_name": patient.given_name,
        "family_name": patient.family_name,
        "local_id": patient.local_id,
        "unit_name": settings.unit_name,
        "unit_phone": settings.unit_phone,
        "day": day,
    }
    address = lines_of(settings.unit_address)
    return LetterPage(
        language=words.language,
        unit_name=settings.unit_name,
        unit_address=address,
        unit_phone=settings.unit_phone,
        phone_label=words.labels["phone"],
        return_line=" · ".join([settings.unit_name, *address]),
        recipient=[f"{patient.given_name} {patient.family_name}", *lines_of(patient.address)],
        date=words.say_date(on),
        title=letter.title,
        greeting=words.greeting.format(**fields).strip(),
        before=[paragraph.format(**fields) for paragraph in letter.before],
        details=list(details),
        after=[*needs, *(paragraph.format(**fields) for paragraph in letter.after)],
        closing=words.closing,
        reference=f"{words.labels['reference']}: {patient.local_id}" if patient.local_id else "",
    )


def print_letters(pages: list[LetterPage], settings: LetterSettings, *, on: str) -> bytes:
    """Return all letters as one PDF.

    Raises
    ------
    PrintingError
        One of them cannot be printed; none is.
    """
    data: dict[str, Any] = {
        "title": pages[0].title if len(pages) == 1 else "Letters",
        "author": settings.unit_name,
        "address_left_mm": settings.address_left_mm,
        "address_top_mm": settings.address_top_mm,
        "letters": msgspec.to_builtins(pages),
    }
    return print_pdf("letter", data, on=on, mark=settings.training_mark)


def _day_meant(kind: LetterKind, visit: VisitFacts) -> str:
    if kind == "missed":
        return max(one.on for one in visit.outcomes if one.what == "no-show")
    if kind == "please_call":
        return ""
    slot = visit.slot or (visit.slots[-1] if visit.slots else None)
    return slot.on if slot else ""


def _details(
    visit: VisitFacts, settings: LetterSettings, words: LetterWords
) -> list[tuple[str, str]]:
    slot = visit.slot
    if slot is None:
        return []
    details = [(words.labels["day"], words.say_date(slot.on))]
    if slot.time:
        details.append((words.labels["time"], words.say_time(slot.time)))
    if slot.place:
        details.append((words.labels["place"], slot.place))
    if settings.names_visit and visit.label:
        details.append((words.labels["visit"], visit.label))
    return details
