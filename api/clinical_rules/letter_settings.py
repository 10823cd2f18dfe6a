"""What a unit sets for its letters, reminders and calendar feeds: words, never a clinical number.

The default file names no phone and no address: a unit states its own in a version of its own.
"""

from collections.abc import Sequence
from typing import Literal

import msgspec

from api.clinical_rules.errors import RuleFileError
from api.clinical_rules.rule_file import Row, Words

LETTER_SETTINGS = "letters/settings"
Item = Literal[
    "calendar_summary",
    "calendar_minutes",
    "language",
    "address_left_mm",
    "address_top_mm",
    "names_visit",
    "unit_name",
    "unit_address",
    "unit_phone",
]
_NUMBERS = {
    "calendar_minutes": (5, 600),
    "address_left_mm": (10, 120),
    "address_top_mm": (30, 80),
}


class SettingRow(Row, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One setting by name; several lines are parted by a line break."""

    item: Item
    words: Words


class LetterSettings(msgspec.Struct, frozen=True, kw_only=True):
    """The settings of a unit.

    Parameters
    ----------
    language : str
        Of letters to patients whose language is not recorded.
    address_left_mm, address_top_mm : int
        Where the address begins on the page, in millimetres.
    names_visit : bool
        Whether a letter names what kind of visit it is about; a diagnosis it never names.
    unit_name, unit_address, unit_phone : str
        "" where the unit has not stated them.
    training_mark : str
        What marks each page of a unit in training, "" for none (HAZ-52); no row sets it.
    """

    calendar_summary: str = "Clinic visit"
    calendar_minutes: int = 30
    language: str = "en"
    address_left_mm: int = 20
    address_top_mm: int = 45
    names_visit: bool = False
    unit_name: str = ""
    unit_address: str = ""
    unit_phone: str = ""
    training_mark: str = ""


def read_letter_settings(rows: Sequence[SettingRow]) -> LetterSettings:
    """Return the settings that the rows of the file make; what no row names keeps its default.

    Raises
    ------
    RuleFileError
        An item stands twice, or its words are no number or no yes or no where one is wanted.
    """
    found: dict[str, object] = {}
    for row in rows:
        if row.item in found:
            message = f"Rule file {LETTER_SETTINGS} names {row.item} twice. Take one row out."
            raise RuleFileError(message)
        found[row.item] = _read_words(row)
    return msgspec.convert(found, LetterSettings)


def _read_words(row: SettingRow) -> object:
    if row.item in _NUMBERS:
        least, most = _NUMBERS[row.item]
        is_number = row.words.isascii() and row.words.isdigit()
        if not is_number or not least <= int(row.words) <= most:
            message = (
                f"Rule file {LETTER_SETTINGS}: {row.item} is {row.words!r}. Write a whole number "
                f"from {least} to {most}."
            )
            raise RuleFileError(message)
        return int(row.words)
    if row.item == "names_visit":
        if row.words not in ("yes", "no"):
            message = f"Rule file {LETTER_SETTINGS}: names_visit is yes or no. Correct it."
            raise RuleFileError(message)
        return row.words == "yes"
    return row.words
