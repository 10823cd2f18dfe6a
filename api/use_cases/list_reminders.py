"""List reminders for the hospital's own messaging: phone, language, text, and no clinical word."""

import re

import msgspec

from api.clinical_rules.civil_date import is_civil_date
from api.clinical_rules.errors import RuleFileError
from api.clinical_rules.letter_settings import LetterSettings
from api.clinical_rules.reminder_days import (
    REMINDERS,
    DueReminder,
    ReminderRow,
    find_due_reminders,
)
from api.documents.contact_bars import bar, find_booking_bar
from api.documents.csv_text import write_csv
from api.documents.letter_words import choose_words
from api.documents.opaque_id import opaque_id
from api.storage.unit_store import UnitStore
from api.use_cases.errors import CalculationError
from api.use_cases.make_letters import Desk, Withheld, held_back_fields, is_draft, refuse_unset
from api.use_cases.read_clinic import read_clinic
from api.use_cases.unit_settings import open_unit_book, read_unit_settings

_PHONE = re.compile(r"\+?[0-9][0-9 ()/.-]{3,24}")
HEADER = ("send_on", "reminder", "phone", "language", "text", "reference")


class Reminder(msgspec.Struct, frozen=True):
    """One message to send.

    Parameters
    ----------
    reference : str
        Tells two messages apart and nobody who the patient is.
    is_draft : bool
        Nobody has reviewed the sentences of that language.
    """

    send_on: str
    reminder: str
    phone: str
    language: str
    text: str
    reference: str
    is_draft: bool


class Reminders(msgspec.Struct, frozen=True):
    """The messages of some days, the same as CSV (RFC 4180), and what was withheld."""

    from_on: str
    until_on: str
    rule_file: str
    reminders: list[Reminder]
    withheld: list[Withheld]
    csv: str


def list_reminders(
    store: UnitStore, *, from_on: str | None, until_on: str | None, on: str, time_zone: str
) -> Reminders:
    """Return what falls due on some days, today alone where none is named (RD1-RD3, FU-10).

    Raises
    ------
    CalculationError
        The days are none, the rule file is not in force, or the unit has stated no phone number.
    """
    from_on = from_on or on
    until_on = until_on or max(on, from_on)
    if not (is_civil_date(from_on) and is_civil_date(until_on) and from_on <= until_on):
        message = f"{from_on[:24]!r} to {until_on[:24]!r} are no days. Give the earlier one first."
        raise CalculationError(message)
    settings = read_unit_settings(store, on=on)
    refuse_unset(settings)
    desk = Desk(
        read_clinic(store, time_zone=time_zone), held_back_fields(store) | {"patient.phone"}
    )
    try:
        file = open_unit_book(store, on=on).rule_file(REMINDERS, ReminderRow)
        due = find_due_reminders(desk.clinic.visits, file.rows, from_on=from_on, until_on=until_on)
    except RuleFileError as error:
        raise CalculationError(str(error)) from error
    reminders: list[Reminder] = []
    withheld: list[Withheld] = []
    for one in due:
        found = desk.bar_of(one.visit.record) or find_booking_bar(one.visit, desk.sessions, on=on)
        patient = desk.patient_of(one.visit)
        if found is None and patient and not _PHONE.fullmatch(patient.phone.strip()):
            found = bar("no-phone")
        if found is not None or patient is None:
            why = found or bar("not-on-record")
            withheld.append(Withheld(one.visit.record, why.reason, why.because))
        else:
            language = patient.letter_language
            reminders.append(_write(one, patient.phone.strip(), language, settings))
    return Reminders(
        from_on=from_on,
        until_on=until_on,
        rule_file=f"{file.name} v{file.version}",
        reminders=reminders,
        withheld=withheld,
        csv=write_csv(
            HEADER,
            [[str(getattr(one, name)) for name in HEADER] for one in reminders],
        ),
    )


def _write(due: DueReminder, phone: str, language: str, settings: LetterSettings) -> Reminder:
    words = choose_words(language, settings.language)
    slot = due.visit.slot
    on, time = (slot.on, slot.time) if slot else ("", "")
    sentence = words.reminder if time else words.reminder_without_time
    text = sentence.format(
        day=words.say_date(on), time=words.say_time(time), unit_phone=settings.unit_phone
    )
    return Reminder(
        send_on=due.send_on,
        reminder=due.reminder,
        phone=phone,
        language=words.language,
        text=text,
        reference=opaque_id(f"{due.visit.record} {due.reminder} {on}"),
        is_draft=is_draft(words.language),
    )
