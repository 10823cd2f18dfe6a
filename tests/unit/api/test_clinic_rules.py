"""Cases at the bounds of the rule files that the unit server alone reads, by the packaged book.

`tests/mutants` runs them over every changed number and word of those files.
"""

import pytest

from api.clinical_rules.clinic_facts import Outcome, Slot, Try, VisitFacts, Window
from api.clinical_rules.clinic_trial import try_letter_settings, try_measures, try_reminders
from api.clinical_rules.follow_up_measures import MEASURES, MeasureRow, count_measures
from api.clinical_rules.letter_settings import LETTER_SETTINGS, SettingRow, read_letter_settings
from api.clinical_rules.reminder_days import REMINDERS, ReminderRow, find_due_reminders
from tests.unit.api.twin_engine import packaged_rule_book

BOOK = packaged_rule_book()
WINDOW = Window("2026-02-01", "2026-02-10", "2026-02-20")


def _slot(on):
    return Slot(on, "09:00", "", "", "Europe/London")


def _visit(**facts):
    return VisitFacts(record="visit/v", patient="patient/p", window=WINDOW, **facts)


def _seen(on):
    return _visit(status="attended", seen_on=on)


def _measure(name, visit, on):
    rows = BOOK.rule_file(MEASURES, MeasureRow).rows
    period = {"from_on": "2026-01-01", "until_on": "2026-12-31", "on": on}
    found = {one.measure: one for one in count_measures([visit], rows, **period)}
    return found[name].count, found[name].of, found[name].figure


def _reminders(on):
    rows = BOOK.rule_file(REMINDERS, ReminderRow).rows
    visit = _visit(status="booked", slot=_slot("2026-03-16"))
    return [one.reminder for one in find_due_reminders([visit], rows, from_on=on, until_on=on)]


def _settings(name):
    return getattr(read_letter_settings(BOOK.rule_file(LETTER_SETTINGS, SettingRow).rows), name)


ON = "2026-08-21"
CASES = [
    (
        "[FM2] seen on the earliest date",
        _measure,
        ("seen_within_window", _seen("2026-02-01"), ON),
        (1, 1, "100.0"),
    ),
    (
        "[FM2] seen on the latest date",
        _measure,
        ("seen_within_window", _seen("2026-02-20"), ON),
        (1, 1, "100.0"),
    ),
    (
        "[FM2] seen a day after the latest date",
        _measure,
        ("seen_within_window", _seen("2026-02-21"), ON),
        (0, 1, "0.0"),
    ),
    (
        "[FM3] seen five days after the target",
        _measure,
        ("median_days_late", _seen("2026-02-15"), ON),
        (1, 1, "5.0"),
    ),
    (
        "[FM4] six months to the day",
        _measure,
        ("lost", _visit(status="to-book"), "2026-08-20"),
        (0, 1, "0.0"),
    ),
    (
        "[FM4] six months and a day",
        _measure,
        ("lost", _visit(status="to-book"), ON),
        (1, 1, "100.0"),
    ),
    (
        "[FM5] one of two did not come",
        _measure,
        (
            "no_show_share",
            _visit(
                outcomes=(
                    Outcome("2026-02-01", "", "no-show"),
                    Outcome("2026-02-08", "", "attended"),
                )
            ),
            ON,
        ),
        (1, 2, "50.0"),
    ),
    (
        "[FM6] three tries for one booking",
        _measure,
        (
            "tries_per_booked_visit",
            _visit(slot=_slot("2026-03-16"), tries=(Try("", "phone", "no-answer"),) * 3),
            ON,
        ),
        (3, 1, "3.00"),
    ),
    ("[RD1] eight days before", _reminders, ("2026-03-08",), []),
    ("[RD1] seven days before", _reminders, ("2026-03-09",), ["first"]),
    ("[RD1] six days before", _reminders, ("2026-03-10",), []),
    ("[RD1] three days before", _reminders, ("2026-03-13",), []),
    ("[RD1] two days before", _reminders, ("2026-03-14",), ["second"]),
    ("[RD1] one day before", _reminders, ("2026-03-15",), []),
    ("the calendar's summary", _settings, ("calendar_summary",), "Clinic visit"),
    ("the length of a visit", _settings, ("calendar_minutes",), 30),
    ("the language", _settings, ("language",), "en"),
    ("the window from the left", _settings, ("address_left_mm",), 20),
    ("the window from the top", _settings, ("address_top_mm",), 45),
    ("no kind of visit in a letter", _settings, ("names_visit",), False),
]


@pytest.mark.parametrize("case", CASES, ids=[case[0] for case in CASES])
def test_the_rule_files_answer_to_their_case(case):
    """[FM2] [FM3] [FM4] [FM5] [FM6] [RD1]"""
    _, ask, inputs, wanted = case

    assert ask(*inputs) == wanted


def test_each_file_is_tried_before_a_unit_takes_it():
    """[RL8] The packaged ones pass; what a faulty one is told stands in the tests of each."""
    on = {"on": "2026-01-31"}
    assert try_measures(on, BOOK)["measures"]
    assert try_reminders(on, BOOK) == {"reminders": []}
    assert try_letter_settings({}, BOOK)["settings"]
