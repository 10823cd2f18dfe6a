"""The rule files behind the liver and bleeding scores: bands, coefficients, ranges of inputs."""

from decimal import Decimal
from typing import NoReturn
from weakref import WeakKeyDictionary

from api.clinical_rules.bands import BandRow, find_band, read_decimal, refuse_band_faults
from api.clinical_rules.errors import RuleFileError
from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.rule_file import Row, path_of


class LiverBandRow(BandRow, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Points or a label of one band, or of one word, of an item of a score."""

    score: str
    item: str
    unit: str | None = None
    word: str | None = None
    points: int | None = None
    label: str | None = None


class CoefficientRow(Row, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One factor or bound of a score, as decimal text."""

    score: str
    term: str
    factor: str


class InputRangeRow(Row, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Within which bounds an input is taken as entered; both bounds belong to the range."""

    input: str
    unit: str
    at_least: str
    at_most: str


class LiverRules:
    """The three rule files of the scores, checked and by name.

    Raises
    ------
    RuleFileError
        A file is not in force, or its bands leave a gap or overlap.
    """

    def __init__(self, rule_book: RuleBook) -> None:
        self.bands = rule_book.rule_file("liver_scores/bands", LiverBandRow)
        self.coefficients = rule_book.rule_file("liver_scores/coefficients", CoefficientRow)
        self.ranges = rule_book.rule_file("liver_scores/input_ranges", InputRangeRow)
        self._items: dict[tuple[str, str], list[LiverBandRow]] = {}
        for row in self.bands.rows:
            self._items.setdefault((row.score, row.item), []).append(row)
        for (score, item), rows in self._items.items():
            if rows[0].word is None:
                refuse_band_faults(path_of(self.bands), f"{score} {item}", rows)
        self._factors = {
            (row.score, row.term): read_decimal(row.factor, path_of(self.coefficients))
            for row in self.coefficients.rows
        }

    @classmethod
    def of(cls, rule_book: RuleBook) -> "LiverRules":
        """Return the rules of a rule book; they are checked once for each book."""
        if rule_book not in _CHECKED:
            _CHECKED[rule_book] = cls(rule_book)
        return _CHECKED[rule_book]

    def factor(self, score: str, term: str) -> Decimal:
        """Return a coefficient or bound; a missing row is a `RuleFileError`."""
        if (score, term) not in self._factors:
            message = (
                f"Rule file {path_of(self.coefficients)}: {score} has no term {term}. Add the row."
            )
            raise RuleFileError(message)
        return self._factors[score, term]

    def band(self, score: str, item: str, amount: Decimal) -> LiverBandRow:
        """Return the row of an item that holds the amount."""
        return find_band(self._rows(score, item), amount)

    def points(self, score: str, item: str, given: Decimal | str) -> int:
        """Return the points that an item gives for an amount or a word."""
        if isinstance(given, Decimal):
            row = self.band(score, item, given)
        else:
            row = next((one for one in self._rows(score, item) if one.word == given), None) or (
                self._refuse(score, f"{item} {given}")
            )
        return row.points if row.points is not None else self._refuse(score, f"points of {item}")

    def source(self, score: str) -> dict[str, object]:
        """Return `basis` and `source` of a score, as its first row names them."""
        rows: list[LiverBandRow | CoefficientRow] = [*self.bands.rows, *self.coefficients.rows]
        row = next(one for one in rows if one.score == score)
        return {"basis": row.basis, "source": row.source}

    def _rows(self, score: str, item: str) -> list[LiverBandRow]:
        return self._items.get((score, item)) or self._refuse(score, item)

    def _refuse(self, score: str, item: str) -> NoReturn:
        message = f"Rule file {path_of(self.bands)}: {score} has no {item}. Add the row."
        raise RuleFileError(message)


_CHECKED: WeakKeyDictionary[RuleBook, LiverRules] = WeakKeyDictionary()
