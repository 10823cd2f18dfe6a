"""All about one patient handed out: as it is, as a PDF to be read, and with the pictures."""

import base64
from collections.abc import Iterator, Mapping
from typing import Any

import msgspec

from api.documents.paper_words import training_mark
from api.documents.printing import PrintingError, print_pdf
from api.storage.picture_files import PictureFiles
from api.storage.unit_store import UnitStore
from api.use_cases.errors import CalculationError
from api.use_cases.gather_patient import (
    AboutEntry,
    AboutPatient,
    AboutRecord,
    gather_about_patient,
    instant_of,
)
from api.use_cases.receive_picture import MAX_PICTURE_BYTES
from api.use_cases.wide_accesses import SENTENCE, say_wide

# Letters in which it is said why.
SHORTEST_REASON, LONGEST_REASON = 3, 500
# Most letters of one value on paper; all of it is in the JSON.
_LONGEST_ON_PAPER = 400


class PatientExport(msgspec.Struct, frozen=True):
    """All about a patient, and the same as a PDF in base64.

    ``pdf`` is "" where it could not be printed, and ``trouble`` then says why.
    """

    about: AboutPatient
    pdf: str
    trouble: str = ""


def export_patient(store: UnitStore, patient: str, *, now_ms: int, on: str) -> PatientExport:
    """Return all that is held about a patient, printed too where that can be done.

    Raises
    ------
    CalculationError
        As `gather_about_patient`.
    """
    about = gather_about_patient(store, patient, now_ms=now_ms)
    try:
        pdf = print_about_patient(about, on=on)
    except CalculationError as error:
        # What is held is handed out all the same.
        return PatientExport(about, "", str(error))
    return PatientExport(about, base64.b64encode(pdf).decode())


def print_about_patient(about: AboutPatient, *, on: str) -> bytes:
    """Return the same as a PDF to be read; long values are cut there, and the JSON holds them.

    Raises
    ------
    CalculationError
        The font lacks a letter of a text.
    """
    data = {
        "title": f"All that is held about {about.patient}",
        "made_at": about.made_at,
        "records": [_on_paper(one, about.people) for one in about.records],
        "elsewhere": [_on_paper(one, about.people) for one in about.elsewhere],
        "set_aside": [_cut(text) for text in about.set_aside],
        "access": [
            [
                instant_of(line.at_ms),
                about.people.get(line.who, line.who),
                line.device,
                f"{line.verb} {line.object}",
                _cut(line.why),
                line.outcome,
            ]
            for line in about.access
        ],
        "may_have_held": [say_wide(one, about.people) for one in about.may_have_held],
        "may_have_held_says": SENTENCE,
        "pictures": list(about.pictures),
    }
    try:
        mark = training_mark("en") if about.is_training else ""
        return print_pdf("about_patient", data, on=on, mark=mark)
    except PrintingError as error:
        raise CalculationError(f"{error} The JSON holds all of it.") from error


def read_pictures(pictures: PictureFiles, about: AboutPatient) -> Iterator[tuple[str, bytes]]:
    """Yield hash and bytes of each picture that is held; no store has to be open."""
    for digest in about.pictures:
        content = pictures.read(digest, 0, MAX_PICTURE_BYTES)
        if content is not None:
            yield digest, content


def _on_paper(one: AboutRecord, people: Mapping[str, str]) -> dict[str, Any]:
    return {
        "record": one.record,
        "is_struck": one.is_struck,
        "shown": [
            [name, " | ".join(_say(value) for value in values)]
            for name, values in one.shown.items()
        ],
        "entries": [
            [
                entry.at,
                people.get(entry.by, entry.by),
                entry.device,
                "erased" if entry.is_erased else _say_entry(entry),
            ]
            for entry in one.entries
        ],
    }


def _say_entry(entry: AboutEntry) -> str:
    said = [f"{name}: {_say(value)}" for name, value in entry.set.items()]
    if entry.strikes:
        said.append(f"strikes {', '.join(entry.strikes)}")
    if entry.because:
        said.append(f"because {entry.because}")
    return _cut("; ".join(said))


def _say(value: object) -> str:
    text = value if isinstance(value, str) else msgspec.json.encode(value).decode()
    return _cut(text)


def _cut(text: str) -> str:
    if len(text) <= _LONGEST_ON_PAPER:
        return text
    return f"{text[:_LONGEST_ON_PAPER]} (cut off here)"
