"""How often gastric varices bled first in published series: a range of groups, never one patient.

The figures stand in ``data/varix_risk``, series by series.
"""

from collections.abc import Sequence
from typing import Annotated

import msgspec

from api.clinical_rules.errors import RuleFileError
from api.clinical_rules.rule_book import RuleBook, name_rule_files
from api.clinical_rules.rule_file import Amount, Row, path_of
from api.clinical_rules.shapes import one_of, shape
from api.clinical_rules.varix_class import CLASSES

_WHOLE_PER_MILLE = 1000
_FOLDS = {2: "twofold", 3: "threefold", 4: "fourfold", 5: "fivefold"}


class FirstBleedRow(Row, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Share of one series that had bled by a year, and for which classes it is shown."""

    series: str
    patients: Amount
    cohort: str
    classes: tuple[str, ...]
    years: Amount
    bled_per_mille: Annotated[int, msgspec.Meta(ge=0, le=1000)]


def answer_first_bleed(request: object, rule_book: RuleBook) -> dict[str, object]:
    """Return the published ranges for the class of a request.

    Parameters
    ----------
    request : object
        Parsed JSON with ``varix_class``, which may be left out.
    rule_book : RuleBook
        Holds ``varix_risk/first_bleed``.

    Raises
    ------
    ShapeError
        A key or type is wrong, or the class is none.

    Notes
    -----
    Rules VR1-VR4. Pure.
    """
    read = shape({}, {"varix_class": one_of(*CLASSES)})(request, "")
    return find_first_bleed_ranges(read.get("varix_class"), rule_book)


def find_first_bleed_ranges(varix_class: str | None, rule_book: RuleBook) -> dict[str, object]:
    """Return for each year the lowest and the highest published share, in per mille.

    Parameters
    ----------
    varix_class : str or None
        As `classify_varix` gives it; None while it is not known.
    rule_book : RuleBook
        Holds ``varix_risk/first_bleed``.

    Returns
    -------
    dict
        ``ranges`` by year, ``text``, ``inputs`` and ``rule_files``; or ``missing``, or a
        ``refusal`` where no series covers the class.

    Raises
    ------
    RuleFileError
        No version is in force, or a share lies outside 0 to 1000.

    Notes
    -----
    Rules VR1-VR4.

    References
    ----------
    Kim 1997, Hepatology 25:307-12; Lee 2008, Korean J Hepatol 14:331-41.
    """
    figures = rule_book.rule_file("varix_risk/first_bleed", FirstBleedRow)
    for place, row in enumerate(figures.rows, start=1):
        if not 0 <= row.bled_per_mille <= _WHOLE_PER_MILLE:
            message = (
                f"Rule file {path_of(figures)}: row {place} has {row.bled_per_mille} per mille. "
                "Correct it to 0 to 1000."
            )
            raise RuleFileError(message)
    named = {"rule_files": name_rule_files(figures)}
    if varix_class is None:
        return {"missing": ["varix_class"], **named}
    own = [row for row in figures.rows if varix_class in row.classes]
    if not own:
        covered = ", ".join(dict.fromkeys(name for row in figures.rows for name in row.classes))
        words = f"No figure for {varix_class}: ranges are held for {covered} alone. Judge without."
        return {"refusal": {"kind": "no-figure", "text": words}, **named}
    ranges = [
        _describe_year(years, [row for row in own if row.years == years])
        for years in sorted({row.years for row in own})
    ]
    return {
        "varix_class": varix_class,
        "ranges": ranges,
        "text": _say_what_it_is([row for row in own if row.years == 1]),
        "inputs": ["varix_class"],
        **named,
    }


def _describe_year(years: int, rows: Sequence[FirstBleedRow]) -> dict[str, object]:
    lowest = min(rows, key=lambda row: row.bled_per_mille)
    highest = max(rows, key=lambda row: row.bled_per_mille)
    return {"years": years, "lowest": _describe(lowest), "highest": _describe(highest)}


def _describe(row: FirstBleedRow) -> dict[str, object]:
    return {
        "per_mille": row.bled_per_mille,
        "series": row.series,
        "patients": row.patients,
        "cohort": row.cohort,
        "basis": row.basis,
        "source": row.source,
    }


def _say_what_it_is(first_year: Sequence[FirstBleedRow]) -> str:
    """Return the sentence that goes with the ranges: how far the series lie apart (VR3)."""
    shares = [row.bled_per_mille for row in first_year]
    fold = 0
    if shares and min(shares) > 0:
        fold = (2 * max(shares) + min(shares)) // (2 * min(shares))
    if fold not in _FOLDS:
        return "Ranges of groups, not the risk of this patient."
    return (
        f"Published series differ {_FOLDS[fold]} at one year: "
        "ranges of groups, not the risk of this patient."
    )
