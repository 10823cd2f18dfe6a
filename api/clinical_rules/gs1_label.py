"""Reads GS1 element strings strictly: device, lot, serial, dates of making and expiry.

References
----------
GS1 General Specifications: element strings, predefined lengths, check digit (7.9), day 00 of
AI (17), character set 82.
"""

from api.clinical_rules.label_dates import read_short_date
from api.clinical_rules.label_fields import LabelFields
from api.clinical_rules.lost_separator import find_lost_separator

SEPARATOR = "\x1d"
_LOT_LENGTH = 20
_IDENTIFIER_LENGTH = 14
ALPHABET = frozenset(
    "!\"%&'()*+,-./0123456789:;<=>?ABCDEFGHIJKLMNOPQRSTUVWXYZ_abcdefghijklmnopqrstuvwxyz"
)
# Length of field number and content together, by the first two digits; others end with FNC1.
FIXED_LENGTHS = (
    {"00": 20, "01": 16, "02": 16, "03": 16, "04": 18, "20": 4, "41": 16}
    | {str(number): 8 for number in range(11, 20)}
    | {str(number): 10 for number in range(31, 37)}
)
_DATES = {"11": ("made_on", "The date of making"), "17": ("expires_on", "The expiry date")}
_TEXTS = {"10": ("lot", "The lot"), "21": ("serial", "The serial number")}


def check_digit(digits: str) -> int:
    """Return the GS1 check digit of the digits before it: weights 3 and 1 from the right (DL2).

    Examples
    --------
    >>> check_digit("37610425002123456")  # GS1 General Specifications 7.9
    9
    """
    total = sum(
        int(digit) * (1 if place % 2 else 3) for place, digit in enumerate(reversed(digits))
    )
    return -total % 10


def read_gs1_label(content: str, *, today_on: str) -> LabelFields:
    """Return the fields of GS1 element strings, without symbology prefix.

    Parameters
    ----------
    content : str
        FNC1 as U+001D.
    today_on : str
        Decides the century of the dates.

    Notes
    -----
    Rules DL1-DL6, DL11. A field not named in DL5 is skipped and noted.
    """
    fields = LabelFields()
    rest = content
    while rest:
        number = rest[:2]
        if not (number.isascii() and number.isdigit() and len(number) == 2):  # noqa: PLR2004
            fields.problems.append(
                f"After {len(content) - len(rest)} characters no field begins. Scan again."
            )
            break
        length = FIXED_LENGTHS.get(number)
        end = rest.find(SEPARATOR) if length is None else length
        end = len(rest) if end == -1 else end
        element, rest = rest[:end], rest[end:]
        if rest.startswith(SEPARATOR):
            rest = rest[1:]
        if length is not None and (len(element) < length or SEPARATOR in element):
            fields.problems.append(f"Field {number} is too short. Scan again.")
            spoil_field(fields, number)
            break
        take_element(fields, number, element[2:], today_on)
        if rest == "" and number in _TEXTS and SEPARATOR not in content:
            _doubt_end(fields, number, element[2:], today_on)
    return fields


def take_element(fields: LabelFields, number: str, content: str, today_on: str) -> None:
    """Take the content of one field (DL2-DL6)."""
    if number == "01":
        _take_identifier(fields, content)
    elif number in _DATES:
        name, label_name = _DATES[number]
        on = read_short_date(content, today_on=today_on)
        if on is None:
            fields.spoil(name, f"{label_name} {content} is no date. Read it from the package.")
        else:
            fields.put(name, on, label_name)
    elif number in _TEXTS:
        name, label_name = _TEXTS[number]
        if not 1 <= len(content) <= _LOT_LENGTH or not set(content) <= ALPHABET:
            fields.spoil(
                name,
                f"{label_name} must have 1 to {_LOT_LENGTH} characters that GS1 allows. "
                "Read it from the package.",
            )
        else:
            fields.put(name, content, label_name)
    else:
        fields.problems.append(f"A field that begins with {number} is not read here.")


def _doubt_end(fields: LabelFields, number: str, content: str, today_on: str) -> None:
    """Leave out the last field where a separator before another one may be lost (DL11)."""
    name, label_name = _TEXTS[number]
    begun = find_lost_separator(number, content, fields, today_on=today_on)
    if begun is not None and getattr(fields, name) == content:
        fields.spoil(
            name,
            f"{label_name} {content} may end before a field {begun}: the code has no separator. "
            "Read both from the package.",
        )


def _take_identifier(fields: LabelFields, content: str) -> None:
    if not (content.isascii() and content.isdigit()) or len(content) != _IDENTIFIER_LENGTH:
        fields.spoil("identifier", "The device identifier is not of 14 digits. Scan again.")
    elif check_digit(content[:-1]) != int(content[-1]):
        fields.spoil("identifier", f"The check digit of {content} is wrong. Scan again.")
    else:
        fields.put("identifier", content, "The device identifier")


def spoil_field(fields: LabelFields, number: str) -> None:
    """Leave out the field that the last problem is about."""
    name = "identifier" if number == "01" else {**_DATES, **_TEXTS}.get(number, ("", ""))[0]
    if name:
        fields.spoil(name, fields.problems.pop())
