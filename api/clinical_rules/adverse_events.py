"""Grades of an adverse event on two published scales, derived from countable facts.

A fact that nobody entered is never taken as "no". The numbers stand in the rule files; this
module knows the names of the facts and the order of the grades.
"""

from collections.abc import Mapping, Sequence
from typing import Any

import msgspec

from api.clinical_rules.errors import CalculationRefusedError, RuleFileError, ShapeError
from api.clinical_rules.rule_book import RuleBook, name_rule_files
from api.clinical_rules.rule_file import Amount, Row, RuleFile, path_of
from api.clinical_rules.shapes import Reader, flag, natural_number, one_of, shape

KIND = "adverse-event-grades"
DRUGS = ("none", "supportive", "other")
# In the order in which they are asked. Hours passed in full; a night is a midnight passed.
FACTS: Mapping[str, Reader[Any]] = {
    "phone_contact": flag,
    "consultation": flag,
    "emergency_visit": flag,
    "observation_hours": natural_number,
    "admission_hours": natural_number,
    "admission_nights": natural_number,
    "prolonged_nights": natural_number,
    "procedure_aborted": flag,
    "drugs": one_of(*DRUGS),
    "transfusion": flag,
    "unplanned_ventilation": flag,
    "repeat_endoscopy": flag,
    "radiological_intervention": flag,
    "surgery": flag,
    "intensive_care_nights": natural_number,
    "failing_organs": natural_number,
    "permanent_disability": flag,
    "death": flag,
}
# From least to worst.
GRADES: Mapping[str, Sequence[str]] = {
    "agree": ("none", "I", "II", "IIIa", "IIIb", "IVa", "IVb", "V"),
    "asge": ("none", "mild", "moderate", "severe", "fatal"),
}
NOTHING_ENTERED = (
    "No grade can be derived: no fact is entered. Enter what the event needed, or what it did not."
)
_DAY_HOURS = 24


class GradeRow(Row, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The grade that one fact gives when it is met: by exactly one of the three tests."""

    grade: str
    fact: str
    at_least: Amount | None = None
    is_: bool | int | str | None = msgspec.field(default=None, name="is")
    one_of: tuple[str, ...] | None = None


def grade_adverse_event(facts: object, rule_book: RuleBook) -> dict[str, object]:
    """Return both grades of one adverse event, from the facts entered alone.

    Parameters
    ----------
    facts : object
        Parsed JSON with the keys of `FACTS`, each of which may be left out. Hours and nights are
        whole numbers, 0 where there was none.
    rule_book : RuleBook
        Holds ``adverse_events/agree`` and ``adverse_events/asge``.

    Returns
    -------
    dict
        ``agree`` and ``asge``, each with ``grade``, ``at_least`` (something not entered could
        still raise it), ``because``, ``basis``, ``source`` and ``missing``; then ``missing`` of
        both and ``rule_files``.

    Raises
    ------
    ShapeError
        A key or type is wrong, or hours and nights of the admission do not fit each other.
    CalculationRefusedError
        No fact is entered; its answer names what is missing.

    Notes
    -----
    Rules AE1-AE9. Pure.

    References
    ----------
    Nass 2022, Gastrointest Endosc 95:1078 (AGREE); Cotton 2010, Gastrointest Endosc 71:446
    (ASGE lexicon); row by row in the rule files.
    """
    read = shape({}, FACTS)(facts, "")
    _refuse_misfit(read)
    files = {scale: rule_book.rule_file(f"adverse_events/{scale}", GradeRow) for scale in GRADES}
    graded = {scale: _grade(scale, rule_file, read) for scale, rule_file in files.items()}
    missing = {fact for one in graded.values() for fact in one["missing"]}
    answer: dict[str, object] = {
        **graded,
        "missing": [fact for fact in FACTS if fact in missing],
        "rule_files": name_rule_files(*files.values()),
    }
    if not read:
        raise CalculationRefusedError(NOTHING_ENTERED, answer)
    return answer


def _grade(scale: str, rule_file: RuleFile[GradeRow], read: Mapping[str, Any]) -> dict[str, Any]:
    grades = GRADES[scale]
    _refuse_faults(rule_file, grades)
    met = [row for row in rule_file.rows if row.fact in read and _is_met(row, read[row.fact])]
    rank = max((grades.index(row.grade) for row in met), default=0)
    deciding = [row for row in met if row.grade == grades[rank]]
    could_raise = {
        row.fact
        for row in rule_file.rows
        if row.fact not in read and grades.index(row.grade) > rank and _may_be_met(row, read)
    }
    missing = [fact for fact in FACTS if fact in could_raise]
    if not read:
        return {"missing": missing}
    because = [fact for fact in FACTS if any(row.fact == fact for row in deciding)]
    return {
        "grade": grades[rank],
        "at_least": bool(missing),
        "because": [{"fact": fact, "entered": read[fact]} for fact in because],
        "basis": deciding[0].basis if deciding else None,
        "source": deciding[0].source if deciding else None,
        "missing": missing,
    }


def _is_met(row: GradeRow, entered: object) -> bool:
    if row.one_of is not None:
        return entered in row.one_of
    if row.at_least is not None:
        return isinstance(entered, int) and entered >= row.at_least
    return entered == row.is_


def _may_be_met(row: GradeRow, read: Mapping[str, Any]) -> bool:
    """Say whether a fact not entered could meet the row, given the other half of the admission."""
    least, most = 0, None
    if row.fact == "admission_hours" and "admission_nights" in read:
        least, most = _hours_of(read["admission_nights"])
    if row.fact == "admission_nights" and "admission_hours" in read:
        least, most = _nights_of(read["admission_hours"])
    if most is None:
        return True
    if row.at_least is not None:
        return row.at_least <= most
    return isinstance(row.is_, int) and least <= row.is_ <= most


def _hours_of(nights: int) -> tuple[int, int]:
    """Return the fewest and most whole hours of a stay over so many midnights."""
    least = 1 if nights == 1 else max(0, _DAY_HOURS * (nights - 1))
    return least, _DAY_HOURS * nights + _DAY_HOURS - 1


def _nights_of(hours: int) -> tuple[int, int]:
    """Return the fewest and most midnights within a stay of so many whole hours."""
    least = hours // _DAY_HOURS
    return least, least + 1 if hours > 0 else 0


def _refuse_misfit(read: Mapping[str, Any]) -> None:
    hours, nights = read.get("admission_hours"), read.get("admission_nights")
    if hours is None or nights is None:
        return
    least, most = _nights_of(hours)
    if not least <= nights <= most:
        message = (
            f"admission_nights {nights} and admission_hours {hours} do not fit each other. "
            "Correct one of them."
        )
        raise ShapeError(message)


def _refuse_faults(rule_file: RuleFile[GradeRow], grades: Sequence[str]) -> None:
    for place, row in enumerate(rule_file.rows, start=1):
        where = f"Rule file {path_of(rule_file)}: row {place}"
        if row.grade not in grades:
            message = f"{where}: grade must be one of {', '.join(grades)}. Correct it."
            raise RuleFileError(message)
        if row.fact not in FACTS:
            message = f"{where}: fact must be one of {', '.join(FACTS)}. Correct it."
            raise RuleFileError(message)
        if not _has_fitting_test(row):
            message = (
                f"{where} needs one of `at_least`, `is` and `one_of`, with a content that "
                f"{row.fact} can have. Correct it."
            )
            raise RuleFileError(message)


def _has_fitting_test(row: GradeRow) -> bool:
    if sum(test is not None for test in (row.at_least, row.is_, row.one_of)) != 1:
        return False
    reader = FACTS[row.fact]
    if row.at_least is not None:
        return reader is natural_number and row.at_least >= 0
    wanted: tuple[object, ...] = (row.is_,) if row.one_of is None else row.one_of
    return len(wanted) > 0 and all(_can_be_read(reader, one) for one in wanted)


def _can_be_read(reader: Reader[Any], content: object) -> bool:
    try:
        reader(content, "")
    except ShapeError:
        return False
    return True
