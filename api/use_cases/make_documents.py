"""Make the papers of a case as the record stands: one PDF each."""

import msgspec

from api.clinical_rules.rule_book import RuleBook
from api.documents.implant_card import write_implant_card
from api.documents.lay_out_list import write_lay_out_list
from api.documents.paper import PAPER_KINDS, Paper, PaperKind
from api.documents.paper_layout import print_paper
from api.documents.paper_words import PaperWords, choose_paper_words, training_mark
from api.documents.patient_leaflet import write_leaflet
from api.documents.printing import PrintingError
from api.documents.procedure_report import write_report
from api.documents.referral_letter import write_referral_letter
from api.documents.shown_case import ShownCase
from api.record_catalogue.record_names import case_of
from api.storage.device_store import Device
from api.storage.picture_files import is_digest, media_type_of
from api.storage.unit_store import UnitStore
from api.use_cases.errors import CalculationError, NotAllowedError
from api.use_cases.lay_out_case import lay_out_case
from api.use_cases.receive_picture import MAX_PICTURE_BYTES
from api.use_cases.show_case import show_case
from api.use_cases.unit_settings import open_unit_book, read_unit_settings

_SECTIONS: dict[PaperKind, str] = {
    "procedure-report": "report",
    "referral-letter": "letter",
    "patient-leaflet": "leaflet",
    "implant-card": "card",
    "lay-out-list": "lay_out",
}
_FOR_PATIENTS: tuple[PaperKind, ...] = ("patient-leaflet", "implant-card")


class MadeDocument(msgspec.Struct, frozen=True):
    """A paper as PDF; a draft is written in sentences that nobody has reviewed."""

    pdf: bytes
    language: str
    is_draft: bool


def make_document(
    store: UnitStore, kind: str, case: str, *, language: str = "", on: str
) -> MadeDocument:
    """Return one paper about a case.

    Parameters
    ----------
    kind : str
        One of `PAPER_KINDS`.
    case : str
        `case/<id>`, or the id alone.
    language : str
        BCP 47 tag; "" takes what the patient reads for papers to patients, else the unit's.
    on : str
        Civil date of today; it stands on the paper.

    Raises
    ------
    CalculationError
        There is no such paper or case, or it cannot be printed.
    """
    known = next((one for one in PAPER_KINDS if one == kind), None)
    if known is None:
        message = f"There is no paper {kind[:40]!r}. Ask for one of {', '.join(PAPER_KINDS)}."
        raise CalculationError(message)
    settings = read_unit_settings(store, on=on)
    book = open_unit_book(store, on=on)
    record = case_of(case)
    shown = show_case(store, record, settings, book, on=on)
    # Outside the stated use the list has no figures (HAZ-13), so that none need be made.
    if known == "lay-out-list" and not shown.outside:
        listed = lay_out_case(store, record, on=on)
        shown = msgspec.structs.replace(shown, lay_out=listed["lines"] if listed else [])
    read = shown.patient_text("letter_language") if known in _FOR_PATIENTS else ""
    words = choose_words_for(known, language or read or settings.language)
    paper = write_paper(known, shown, book, words)
    try:
        pdf = print_paper(paper, words, on=on, read_picture=lambda name: _read(store, shown, name))
    except PrintingError as error:
        raise CalculationError(str(error)) from error
    return MadeDocument(pdf, paper.language, paper.is_draft)


def choose_words_for(kind: PaperKind, language: str) -> PaperWords:
    """Return the words that a paper is written in."""
    return choose_paper_words(language, _SECTIONS[kind])


def make_document_for(
    store: UnitStore, device: Device | None, kind: str, case: str, *, language: str, on: str
) -> MadeDocument:
    """Return one paper to a device that reads care; None is a command on the server.

    Raises
    ------
    NotAllowedError
        It reads none: what was done to a patient is no business of booking (FU-11).
    """
    if device is not None and "care" not in device.streams:
        raise NotAllowedError("Papers of a case are for bedside devices. Ask one of those.")
    return make_document(store, kind, case, language=language, on=on)


def write_paper(kind: PaperKind, shown: ShownCase, book: RuleBook, words: PaperWords) -> Paper:
    """Return the content of a paper, the same here and on a tablet."""
    mark = training_mark(words.language) if shown.is_training else ""
    return msgspec.structs.replace(_write(kind, shown, book, words), mark=mark)


def _write(kind: PaperKind, shown: ShownCase, book: RuleBook, words: PaperWords) -> Paper:
    match kind:
        case "procedure-report":
            return write_report(shown, book, words)
        case "referral-letter":
            return write_referral_letter(shown, words)
        case "patient-leaflet":
            return write_leaflet(shown, words)
        case "implant-card":
            return write_implant_card(shown, words)
        case "lay-out-list":
            return write_lay_out_list(shown, words)


def _read(store: UnitStore, shown: ShownCase, name: str) -> tuple[bytes, str, int, int] | None:
    record = next(
        (one for one in shown.of_kind("picture") if one.text("file", "sha256") == name), None
    )
    # Any device may have written any text as a name, and a disk may have altered the bytes.
    is_held = record is not None and is_digest(name) and store.pictures.judge(name) == "whole"
    content = store.pictures.read(name, 0, MAX_PICTURE_BYTES) if is_held else None
    media_type = media_type_of(content[:16]) if content else None
    if record is None or content is None or media_type is None:
        return None
    width, height = record.whole("file", "width_px"), record.whole("file", "height_px")
    return content, media_type, width or 4, height or 3
