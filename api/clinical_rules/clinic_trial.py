"""Tries the rule files that the unit server alone reads: settings, reminders, measures (RL8)."""

from collections.abc import Mapping

from api.clinical_rules.follow_up_measures import MEASURES, MeasureRow, count_measures
from api.clinical_rules.letter_settings import LETTER_SETTINGS, SettingRow, read_letter_settings
from api.clinical_rules.reminder_days import REMINDERS, ReminderRow, find_due_reminders
from api.clinical_rules.rule_book import RuleBook


def try_measures(request: Mapping[str, object], book: RuleBook) -> dict[str, object]:
    """Count nothing by the file, which refuses a faulty one."""
    on = str(request["on"])
    rows = book.rule_file(MEASURES, MeasureRow).rows
    return {"measures": count_measures((), rows, from_on=on, until_on=on, on=on)}


def try_reminders(request: Mapping[str, object], book: RuleBook) -> dict[str, object]:
    """List nothing by the file, which refuses a faulty one."""
    on = str(request["on"])
    rows = book.rule_file(REMINDERS, ReminderRow).rows
    return {"reminders": find_due_reminders((), rows, from_on=on, until_on=on)}


def try_letter_settings(_: Mapping[str, object], book: RuleBook) -> dict[str, object]:
    """Read the settings of the file, which refuses a faulty one."""
    return {"settings": read_letter_settings(book.rule_file(LETTER_SETTINGS, SettingRow).rows)}
