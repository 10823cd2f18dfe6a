"""Whether a case lies within the stated use: inside it numbers are given, outside it is recorded.

Pure: no clock, no store. What people did is recorded whatever this says (GATE-00).
"""

from collections.abc import Mapping, Sequence
from typing import Annotated, Literal

import msgspec

from api.clinical_rules.errors import RuleFileError
from api.clinical_rules.rule_book import RuleBook, name_rule_files
from api.clinical_rules.rule_file import Row, RuleFile, Words, path_of
from api.clinical_rules.shapes import civil_date, list_of, shape, text

INTENDED_USE = "intended_use/default"
WITHIN, RECORD_ONLY = "within", "record-only"
# In the order of the answer; each names the key of the request that it judges.
_JUDGED: Mapping[str, str] = {
    "varix_class": "varix_class",
    "adhesive": "adhesive",
    "age_years": "born_on",
}


class UseRow(Row, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What one fact of a case has to be: one of some words, or a number of years at least."""

    fact: Literal["varix_class", "adhesive", "age_years"]
    one_of: Annotated[tuple[Words, ...], msgspec.Meta(min_length=1)] | None = None
    at_least: Annotated[int, msgspec.Meta(ge=1, le=120)] | None = None


def answer_intended_use(request: object, rule_book: RuleBook) -> dict[str, object]:
    """Return whether a case is within the stated use, and which facts of it are not.

    Parameters
    ----------
    request : object
        Parsed JSON: ``on``, the day of the procedure; optional ``varix_class``, ``adhesive`` and
        ``born_on``, each a list of every value that stands, several where answers differ.
    rule_book : RuleBook
        Holds ``intended_use/default``, which counts also while nobody has approved it.

    Returns
    -------
    dict
        ``use`` (within, record-only), ``outside`` (``fact``, ``basis``, ``source``), ``missing``,
        ``inputs``, ``rule_files``.

    Raises
    ------
    ShapeError
        A key or type is wrong, or a date is none.
    RuleFileError
        The file lacks a row, has one twice, or one with the wrong test.

    Notes
    -----
    Rules IU1-IU6.
    """
    read = shape(
        {"on": civil_date},
        {"varix_class": list_of(text), "adhesive": list_of(text), "born_on": list_of(civil_date)},
    )(request, "")
    stated = rule_book.rule_file_or_listed(INTENDED_USE, UseRow)
    rows = _rows_by_fact(stated)
    given = {fact: read.get(key, []) for fact, key in _JUDGED.items()}
    outside = [
        {"fact": fact, "basis": rows[fact].basis, "source": rows[fact].source}
        for fact, values in given.items()
        if any(not _is_within(rows[fact], value, read["on"]) for value in values)
    ]
    return {
        "use": RECORD_ONLY if outside else WITHIN,
        "outside": outside,
        "missing": [_JUDGED[fact] for fact, values in given.items() if not values],
        "inputs": ["on", *(_JUDGED[fact] for fact, values in given.items() if values)],
        "rule_files": name_rule_files(stated),
    }


def count_years(born_on: str, on: str) -> int:
    """Return the age in completed years; negative for a day before the birth (IU2).

    Examples
    --------
    >>> count_years("2008-02-29", "2026-02-28"), count_years("2008-02-29", "2026-03-01")
    (17, 18)
    """
    has_passed = on[4:] >= born_on[4:]
    return int(on[:4]) - int(born_on[:4]) - (0 if has_passed else 1)


def _is_within(row: UseRow, value: str, on: str) -> bool:
    if row.one_of is not None:
        return value in row.one_of
    return row.at_least is not None and count_years(value, on) >= row.at_least


def _rows_by_fact(stated: RuleFile[UseRow]) -> dict[str, UseRow]:
    """Return the rows by fact; every fact has one, with the test that fits it (IU5)."""
    facts: Sequence[str] = [row.fact for row in stated.rows]
    for fact in _JUDGED:
        if facts.count(fact) != 1:
            message = (
                f"Rule file {path_of(stated)} has {facts.count(fact)} rows for {fact}. "
                "Give it exactly one."
            )
            raise RuleFileError(message)
    for place, row in enumerate(stated.rows, start=1):
        wanted = "at_least" if row.fact == "age_years" else "one_of"
        held = [key for key in ("one_of", "at_least") if getattr(row, key) is not None]
        if held != [wanted]:
            message = (
                f"Rule file {path_of(stated)}: row {place} needs `{wanted}` alone. Correct it."
            )
            raise RuleFileError(message)
    return {row.fact: row for row in stated.rows}
