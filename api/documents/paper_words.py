"""The words of the papers by language, and numbers and dates as people write them.

English is the source. A section that a language lacks is printed in English as a whole; what
nobody has reviewed is printed as it is, and the paper says that it is a draft (UX-19).
Twin of `state/papers/paper-words.ts`.
"""

import re
from collections.abc import Sequence
from functools import cache
from importlib import resources
from typing import Any

import msgspec

from api.clinical_rules.civil_date import is_civil_date
from api.documents.letter_words import SOURCE_LANGUAGE
from api.documents.shown_case import is_count

_PLACE = re.compile(r"\{([a-z_]+)\}")
_MILLI = 1_000


class PaperWords(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The words of one language.

    Parameters
    ----------
    standing : str
        `source`, `draft` or `reviewed`.
    texts : dict
        Section to key to text; `{name}` stands for what is put in.
    values : dict
        Word of the record to words, by field.
    leaflet : list of dict
        Parts of the leaflet: `when`, `heading`, `lines`, `points`.
    """

    language: str
    standing: str
    reviewed_by: list[str]
    months: list[str]
    date: str
    texts: dict[str, dict[str, str]]
    values: dict[str, dict[str, str]]
    leaflet: list[dict[str, Any]]

    def say(self, key: str, **put: object) -> str:
        """Return a text by `section.key`, with what is put in."""
        section, _, name = key.partition(".")
        return fill(self.texts[section][name], put)

    def value(self, field: str, word: object) -> str:
        """Return the words of a value of the record; an unknown one is printed as it is."""
        if isinstance(word, bool):
            return self.values["flag"]["yes" if word else "no"]
        text = word if isinstance(word, str) else ""
        return self.values.get(field, {}).get(text, text)

    def listed(self, field: str, words: Sequence[str]) -> str:
        """Return several values, parted by commas."""
        return ", ".join(self.value(field, word) for word in words)

    def day(self, on: str) -> str:
        """Return a civil date as day, month and year in words, "" where it is none."""
        if not is_civil_date(on):
            return ""
        month = self.months[int(on[5:7]) - 1]
        return fill(self.date, {"day": int(on[8:]), "month": month, "year": on[:4]})


def fill(text: str, put: dict[str, Any]) -> str:
    """Return a text with what is put in; what is put in is read as nothing but itself."""
    return _PLACE.sub(lambda found: str(put.get(found[1], found[0])), text)


def thousandths(amount: object) -> str:
    """Return thousandths as a number with a point: 1500 as `1.5`; "" for no whole number.

    Examples
    --------
    >>> thousandths(1500), thousandths(18000), thousandths(7), thousandths(None)
    ('1.5', '18', '0.007', '')
    """
    if not is_count(amount) or not isinstance(amount, int):
        return ""
    rest = f"{amount % _MILLI:03d}".rstrip("0")
    return f"{amount // _MILLI}{'.' + rest if rest else ''}"


def ml(amount_ul: object) -> str:
    """Return microlitres as millilitres with the unit, "" for no amount."""
    text = thousandths(amount_ul)
    return f"{text} mL" if text else ""


def mm(length_um: object) -> str:
    """Return micrometres as millimetres with the unit, "" for no length."""
    text = thousandths(length_um)
    return f"{text} mm" if text else ""


def read_paper_words(content: bytes) -> PaperWords:
    """Return the words of one language."""
    return msgspec.json.decode(content, type=PaperWords)


@cache
def packaged_paper_words() -> dict[str, PaperWords]:
    """Return the words that this release carries, by language."""
    folder = resources.files("api.documents.words") / "papers"
    files = sorted(
        (one for one in folder.iterdir() if one.name.endswith(".json")), key=lambda one: one.name
    )
    read = [read_paper_words(one.read_bytes()) for one in files]
    return {words.language: words for words in read}


def training_mark(language: str) -> str:
    """Return what marks a page of a unit in training, in a language (HAZ-52)."""
    return choose_paper_words(language, "common").say("common.training")


def choose_paper_words(asked: str, section: str) -> PaperWords:
    """Return the words of a language for a section, in English where it lacks the section.

    Parameters
    ----------
    asked : str
        BCP 47 tag; the language alone counts.
    """
    words = packaged_paper_words()
    language = asked.replace("_", "-").split("-", 1)[0].strip().lower()
    found = words.get(language)
    has_it = found is not None and section in found.texts
    return found if found is not None and has_it else words[SOURCE_LANGUAGE]
