"""Count how follow-up is kept: the measures of a period, and the clinic week by week (FU-16)."""

import msgspec

from api.clinical_rules.civil_date import add_days, is_civil_date
from api.clinical_rules.clinic_weeks import ClinicWeeks, count_weeks
from api.clinical_rules.errors import RuleFileError
from api.clinical_rules.follow_up_measures import MEASURES, Measure, MeasureRow, count_measures
from api.storage.unit_store import UnitStore
from api.use_cases.errors import CalculationError
from api.use_cases.read_clinic import read_clinic
from api.use_cases.unit_settings import open_unit_book

# Unit setting (project default): a measure without a period is of the last year.
PERIOD_DAYS = 365


class Definition(msgspec.Struct, frozen=True):
    """How one measure is counted, and on what ground."""

    measure: str
    definition: str
    basis: str
    source: str


class FollowUpMeasures(msgspec.Struct, frozen=True, kw_only=True):
    """The measures of a period, by the definitions of one version of the rule file."""

    from_on: str
    until_on: str
    on: str
    rule_file: str
    definitions: tuple[Definition, ...]
    measures: tuple[Measure, ...]


def count_follow_up(
    store: UnitStore, *, from_on: str | None, until_on: str | None, on: str, time_zone: str
) -> FollowUpMeasures:
    """Return the measures of a period; left out, it is the year that ends today.

    Raises
    ------
    CalculationError
        The period is none, or the definitions are not in force.
    """
    until_on = until_on or on
    _refuse_no_date(until_on)
    from_on = from_on or add_days(until_on, -PERIOD_DAYS)
    _refuse_no_date(from_on)
    if from_on > until_on:
        message = f"The period ends ({until_on}) before it begins ({from_on}). Turn the dates."
        raise CalculationError(message)
    try:
        file = open_unit_book(store, on=on).rule_file(MEASURES, MeasureRow)
        clinic = read_clinic(store, time_zone=time_zone)
        measures = count_measures(
            clinic.visits, file.rows, from_on=from_on, until_on=until_on, on=on
        )
    except RuleFileError as error:
        raise CalculationError(str(error)) from error
    return FollowUpMeasures(
        from_on=from_on,
        until_on=until_on,
        on=on,
        rule_file=f"{file.name} v{file.version}",
        definitions=tuple(
            Definition(row.measure, row.definition, row.basis or "", row.source or "")
            for row in file.rows
        ),
        measures=tuple(measures),
    )


def count_clinic_weeks(
    store: UnitStore, *, place: str | None, on: str, time_zone: str
) -> ClinicWeeks:
    """Return the weeks around today, of the whole unit or of one place."""
    clinic = read_clinic(store, time_zone=time_zone)
    return count_weeks(clinic.visits, clinic.sessions, on=on, place=place)


def _refuse_no_date(text: str) -> None:
    if not is_civil_date(text):
        message = f"{text[:24]!r} is no date. Give one such as 2026-03-01."
        raise CalculationError(message)
