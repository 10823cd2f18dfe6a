"""The sentences that a patient reads, by language, and dates as people say them (UX-19).

English is the source. A draft that nobody has reviewed is printed as it is: a mark on the letter
would trouble the patient and help nobody. What is made says for each letter that its language is a
draft, so that the desk decides before it is posted.
"""

import re
from datetime import date
from functools import cache
from importlib import resources
from typing import Literal, get_args

import msgspec

from api.clinical_rules.errors import ClinicalRuleError

LetterKind = Literal["appointment", "moved", "cancelled", "missed", "please_call"]
LETTER_KINDS: tuple[LetterKind, ...] = get_args(LetterKind)
SOURCE_LANGUAGE = "en"
# What a sentence may name: never a finding, and no diagnosis.
SAFE_FIELDS = frozenset(
    {"given_name", "family_name", "day", "time", "place", "unit_phone", "unit_name", "local_id"}
)
_PLACE = re.compile(r"\{([^{}]*)\}")


class LetterWordsError(ClinicalRuleError):
    """A file of sentences is not usable; the text says what to correct."""


class Letter(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One letter: its title, and the paragraphs before and after what is set apart."""

    title: str
    before: tuple[str, ...]
    after: tuple[str, ...]


class LetterWords(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Every sentence of one language.

    Parameters
    ----------
    standing : str
        `source`, `draft` or `reviewed`.
    recall : Letter
        To whom a search of a lot found; it asks to call and names no reason.
    """

    language: str
    standing: Literal["source", "draft", "reviewed"]
    reviewed_by: tuple[str, ...]
    weekdays: tuple[str, ...]
    months: tuple[str, ...]
    date: str
    time: str
    greeting: str
    labels: dict[str, str]
    closing: str
    reminder: str
    reminder_without_time: str
    letters: dict[LetterKind, Letter]
    recall: Letter
    needs: dict[str, str]

    def say_date(self, on: str) -> str:
        """Return a civil date as people say it, such as Tuesday 3 March 2026."""
        day = date.fromisoformat(on)
        return self.date.format(
            weekday=self.weekdays[day.weekday()],
            day=day.day,
            month=self.months[day.month - 1],
            year=day.year,
        )

    def say_time(self, time: str) -> str:
        """Return a time of day `HH:MM` as people say it."""
        return self.time.format(time=time)


def read_letter_words(content: bytes) -> LetterWords:
    """Return the sentences of one language.

    Raises
    ------
    LetterWordsError
        A key is missing or unknown, or a sentence names a field that no letter may name.
    """
    try:
        words = msgspec.json.decode(content, type=LetterWords)
    except msgspec.MsgspecError as error:
        message = f"A file of sentences cannot be read ({error}). Correct it there."
        raise LetterWordsError(message) from error
    for sentence in sentences_of(words):
        strange = {name for name in _PLACE.findall(sentence) if name not in SAFE_FIELDS}
        if strange:
            message = (
                f"The sentences of {words.language} name {', '.join(sorted(strange))}, which no "
                f"letter may name. Use {', '.join(sorted(SAFE_FIELDS))}."
            )
            raise LetterWordsError(message)
    if set(words.letters) != set(LETTER_KINDS):
        message = f"The sentences of {words.language} lack a letter. Write all of {LETTER_KINDS}."
        raise LetterWordsError(message)
    return words


def sentences_of(words: LetterWords) -> tuple[str, ...]:
    """Return everything that is said to a patient in one language, paragraph by paragraph."""
    return (
        words.greeting,
        words.closing,
        words.reminder,
        words.reminder_without_time,
        *words.labels.values(),
        *words.needs.values(),
        *(
            paragraph
            for letter in (*words.letters.values(), words.recall)
            for paragraph in (letter.title, *letter.before, *letter.after)
        ),
    )


@cache
def packaged_words() -> dict[str, LetterWords]:
    """Return the sentences that this release carries, by language."""
    folder = resources.files("api.documents.words")
    files = sorted(
        (one for one in folder.iterdir() if one.name.endswith(".json")), key=lambda one: one.name
    )
    read = [read_letter_words(one.read_bytes()) for one in files]
    return {words.language: words for words in read}


def choose_words(*asked: str) -> LetterWords:
    """Return the sentences of the first language that there are sentences for, else English.

    Parameters
    ----------
    asked : str
        BCP 47 tags in the order of choice, such as what the patient reads and what the unit
        writes; of each the language alone counts, and an empty one is passed over.
    """
    words = packaged_words()
    for tag in asked:
        language = tag.replace("_", "-").split("-", 1)[0].strip().lower()
        if language in words:
            return words[language]
    return words[SOURCE_LANGUAGE]
