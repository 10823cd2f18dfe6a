"""Soft remarks on a number as entered: outside the usual band, tenfold, not measured.

Nothing here refuses a number; what no calculator can use is refused there. The bands stand in
``data/measurements``.
"""

from decimal import Decimal

from api.clinical_rules.bands import read_decimal
from api.clinical_rules.errors import RuleFileError, ShapeError
from api.clinical_rules.measures import exactly, write_digits
from api.clinical_rules.rule_book import RuleBook, name_rule_files
from api.clinical_rules.rule_file import Row, RuleFile, path_of
from api.clinical_rules.shapes import number, one_of, shape, text

USUAL_BANDS = "measurements/usual_bands"
_TENFOLD = 10
_MOST_DECIMALS = 6
_ORIGINS = ("measured", "estimated", "earlier-record", "measured-on-image")
_KEYS = ("quantity", "unit", "amount", "last", "origin")
# Of the remarks that no row of a rule file carries.
_OWN = Row(source="project default, no source", basis="unit-setting")


class UsualBandRow(Row, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The usual band of a quantity in one unit; both bounds belong to it."""

    quantity: str
    name: str
    unit: str
    shown_as: str
    at_least: str
    at_most: str


def answer_value_cautions(request: object, rule_book: RuleBook) -> dict[str, object]:
    """Return the remarks on one number.

    Parameters
    ----------
    request : object
        Parsed JSON: ``unit`` and ``amount``, and if known ``quantity``, ``last`` (the value
        before, in the same unit) and ``origin``.
    rule_book : RuleBook
        May hold ``measurements/usual_bands``.

    Returns
    -------
    dict
        ``cautions``, ``inputs``, ``rule_files``.

    Raises
    ------
    ShapeError
        A key or type is wrong, or the quantity has no band in this unit.

    Notes
    -----
    Rules VA1-VA6. Pure.
    """
    read = shape(
        {"unit": text, "amount": _decimal},
        {"quantity": text, "last": _decimal, "origin": one_of(*_ORIGINS)},
    )(request, "")
    cautions = find_value_cautions(
        read.get("quantity"),
        read["unit"],
        read["amount"],
        read.get("last"),
        read.get("origin"),
        rule_book=rule_book,
    )
    return {
        "cautions": cautions,
        "inputs": [key for key in _KEYS if key in read],
        "rule_files": name_usual_bands(rule_book) if "quantity" in read else [],
    }


@exactly
def find_value_cautions(
    quantity: str | None,
    unit: str,
    amount: Decimal,
    last: Decimal | None,
    origin: str | None,
    *,
    rule_book: RuleBook,
) -> list[dict[str, object]]:
    """Return the remarks on a number, each with id, level, text, basis and source.

    Parameters
    ----------
    quantity : str or None
        Name in ``measurements/usual_bands``; without it there is no band to compare with.
    unit : str
        Unit of `amount` and `last`.
    last : Decimal or None
        The value that stood before, None where there was none.
    origin : str or None
        Where the number comes from, among measured, estimated,
        earlier-record and measured-on-image.

    Raises
    ------
    ShapeError
        The quantity has no band in this unit.
    RuleFileError
        A band is no pair of decimal numbers, the lower one first.

    Notes
    -----
    Rules VA1-VA6.
    """
    row = None if quantity is None else _find_row(quantity, unit, rule_book)
    shown = unit if row is None else row.shown_as
    name = "This number" if row is None else row.name
    entered = f"{name} {_with_unit(write_digits(amount), shown)}"
    found: list[dict[str, object]] = []
    if row is not None and not Decimal(row.at_least) <= amount <= Decimal(row.at_most):
        band = _with_unit(f"{row.at_least} to {row.at_most}", shown)
        words = f"{entered} is outside the usual {band}. Check number and unit."
        found.append(_caution("SOFT-01", "caution", words, row))
    if last is not None and last > 0:
        before = _with_unit(write_digits(last), shown)
        is_more, is_less = amount >= last * _TENFOLD, amount * _TENFOLD <= last
        if is_more or is_less:
            words = (
                f"{entered} is ten times the last {before} or more. Check the decimal point."
                if is_more
                else f"{entered} is a tenth of the last {before} or less. Check the decimal point."
            )
            found.append(_caution("SOFT-02", "caution", words, _OWN))
    if origin == "estimated":
        words = f"{entered} is estimated, not measured. Measure it before you rely on it."
        found.append(_caution("SOFT-03", "note", words, _OWN))
    elif origin == "earlier-record":
        words = f"{entered} is from an earlier record. Measure again before you rely on it."
        found.append(_caution("SOFT-03", "note", words, _OWN))
    return found


def name_usual_bands(rule_book: RuleBook) -> list[dict[str, object]]:
    """Return the rule file of the bands as an answer names it; none while it is not in force."""
    bands = _find_bands(rule_book)
    return [] if bands is None else name_rule_files(bands)


def _decimal(content: object, where: str) -> Decimal:
    read = number(content, where)
    if read * 10**_MOST_DECIMALS % 1 != 0:
        message = f"{where} must have at most {_MOST_DECIMALS} decimals. Round it."
        raise ShapeError(message)
    return read


def _find_bands(rule_book: RuleBook) -> RuleFile[UsualBandRow] | None:
    # A remark is no number of ours: while nobody has approved the bands the rest still answers.
    return rule_book.rule_file(USUAL_BANDS, UsualBandRow) if rule_book.has(USUAL_BANDS) else None


def _find_row(quantity: str, unit: str, rule_book: RuleBook) -> UsualBandRow | None:
    bands = _find_bands(rule_book)
    if bands is None:
        return None
    own = [row for row in bands.rows if row.quantity == quantity]
    if not own:
        message = f"There is no usual band of {quantity}. Correct its name, or leave quantity out."
        raise ShapeError(message)
    row = next((row for row in own if row.unit == unit), None)
    if row is None:
        units = ", ".join(row.unit for row in own)
        message = f"There is no usual band of {quantity} in {unit}. Take one of {units}."
        raise ShapeError(message)
    path = path_of(bands)
    if read_decimal(row.at_least, path) > read_decimal(row.at_most, path):
        message = (
            f"Rule file {path}: the band of {quantity} in {unit} begins above its end. Correct it."
        )
        raise RuleFileError(message)
    return row


def _caution(id_: str, level: str, words: str, row: Row) -> dict[str, object]:
    return {"id": id_, "level": level, "text": words, "basis": row.basis, "source": row.source}


def _with_unit(words: str, unit: str) -> str:
    return f"{words} {unit}" if unit else words
