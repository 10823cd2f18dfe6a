"""Open the unit's rule files for what leaves the clinic: settings, reminders, measures."""

import msgspec

from api.clinical_rules.errors import RuleFileError
from api.clinical_rules.letter_settings import (
    LETTER_SETTINGS,
    LetterSettings,
    SettingRow,
    read_letter_settings,
)
from api.clinical_rules.rule_book import RuleBook
from api.documents.paper_words import training_mark
from api.storage.unit_store import UnitStore
from api.use_cases.errors import CalculationError
from api.use_cases.unit_rules import open_rule_book, read_unit_rules


def open_unit_book(store: UnitStore, *, on: str) -> RuleBook:
    """Return the rule book by which the unit computes on a civil date."""
    with store.transaction():
        rules = read_unit_rules(store)
    return open_rule_book(rules, on=on)


def read_unit_settings(store: UnitStore, *, on: str) -> LetterSettings:
    """Return the unit's words for letters and feeds.

    Raises
    ------
    CalculationError
        The file contradicts itself; the sentence says where.

    Notes
    -----
    Holds no clinical number, so that a version nobody has approved still counts.
    """
    try:
        book = open_unit_book(store, on=on)
        settings = read_letter_settings(book.rule_file_or_listed(LETTER_SETTINGS, SettingRow).rows)
    except RuleFileError as error:
        raise CalculationError(str(error)) from error
    mark = training_mark(settings.language) if book.is_training else ""
    return msgspec.structs.replace(settings, training_mark=mark)
