"""Reads HIBC supplier labels strictly: check character, identifier, lot, serial, dates.

References
----------
ANSI/HIBC 2.6: structure and check character (published examples, figures 1, 3 and C2); the date
flags of the secondary data from memory.
"""

from collections.abc import Callable

from api.clinical_rules.label_dates import read_day_of_year, read_long_date, read_short_date
from api.clinical_rules.label_fields import LabelFields

ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-. $/+%"
_LETTERS = frozenset("ABCDEFGHIJKLMNOPQRSTUVWXYZ")
_ALPHANUMERIC = _LETTERS | frozenset("0123456789")
_LOT_ALPHABET = _ALPHANUMERIC | frozenset("-. ")
_LOT_LENGTH = 18
_LABELER_LENGTH = 4
_SHORTEST_PRIMARY = 6
_LONGEST_PRIMARY = 23
# Digits of a quantity that may stand before the date flag.
_QUANTITY_LENGTHS = {"8": 2, "9": 5}


def sum_characters(content: str) -> int:
    """Return the sum of the places of the characters in the alphabet of 43, `+` included.

    Examples
    --------
    >>> sum_characters("+A123BJC5D6E71")  # ANSI/HIBC 2.6, figure 1
    145
    """
    return sum(ALPHABET.index(character) for character in content)


def check_character(content: str) -> str:
    """Return the check character that follows the content: the sum modulo 43 (DL7).

    Examples
    --------
    >>> check_character("+H123ABC01234567890")  # ANSI/HIBC 2.6, figure C2
    'D'
    """
    return ALPHABET[sum_characters(content) % len(ALPHABET)]


def read_hibc_label(content: str, *, today_on: str) -> LabelFields:
    """Return the fields of an HIBC label that begins with `+`.

    Parameters
    ----------
    content : str
        Without symbology prefix, with its check character at the end.
    today_on : str
        Decides the century of the dates.

    Notes
    -----
    Rules DL1, DL4, DL7-DL9. A wrong check character leaves every field None.
    """
    fields = LabelFields()
    if len(content) <= len("+XX") or not set(content) <= set(ALPHABET):
        fields.problems.append("The code has characters that HIBC does not allow. Scan again.")
        return fields
    if check_character(content[:-1]) != content[-1]:
        fields.problems.append("The check character is wrong. Scan again.")
        return fields
    segments = content[1:-1].split("/")
    if segments[0][:1] in _LETTERS:
        _take_primary(fields, segments[0])
        segments = segments[1:]
    else:
        # A secondary code on its own ends with the check character of its primary.
        segments[-1] = segments[-1][:-1]
    for place, segment in enumerate(segments):
        _take_segment(fields, segment, is_first=place == 0, today_on=today_on)
    return fields


def _take_primary(fields: LabelFields, primary: str) -> None:
    if (
        not _SHORTEST_PRIMARY <= len(primary) <= _LONGEST_PRIMARY
        or not set(primary) <= _ALPHANUMERIC
        or not primary[-1].isdigit()
    ):
        fields.spoil(
            "identifier",
            "The device identifier must have 6 to 23 letters and digits and end with a digit. "
            "Scan again.",
        )
        return
    fields.put("identifier", primary, "The device identifier")


def _take_segment(fields: LabelFields, segment: str, *, is_first: bool, today_on: str) -> None:
    if is_first and segment.startswith("$$+"):
        _take_dated(fields, segment[3:], "serial", today_on)
    elif is_first and segment.startswith("$$"):
        _take_dated(fields, segment[2:], "lot", today_on)
    elif is_first and segment.startswith("$+"):
        _take_text(fields, "serial", segment[2:])
    elif is_first and segment.startswith("$"):
        _take_text(fields, "lot", segment[1:])
    elif is_first and segment[:1].isdigit() and not segment.startswith(("14D", "16D")):
        _take_expiry(fields, segment[:5], read_day_of_year(segment[:5], today_on=today_on))
        _take_rest(fields, "lot", segment[5:])
    elif segment.startswith("14D"):
        _take_expiry(fields, segment[3:], read_long_date(segment[3:]))
    elif segment.startswith("16D"):
        made_on = read_long_date(segment[3:])
        if made_on is None:
            problem = f"The date of making {segment[3:]} is no date. Read it from the package."
            fields.spoil("made_on", problem)
        else:
            fields.put("made_on", made_on, "The date of making")
    elif segment.startswith("S"):
        _take_text(fields, "serial", segment[1:])
    else:
        fields.problems.append(f"A field that begins with {segment[:3]} is not read here.")


def _take_dated(fields: LabelFields, dated: str, name: str, today_on: str) -> None:
    skipped = _QUANTITY_LENGTHS.get(dated[:1])
    if skipped is not None:
        if not dated[1 : 1 + skipped].isdigit() or len(dated) <= skipped:
            fields.problems.append("The quantity is no number. Read the label by eye.")
            return
        dated = dated[1 + skipped :]
    flag = dated[:1]
    if flag == "7":
        _take_rest(fields, name, dated[1:])
        return
    reading = _DATE_FLAGS.get(flag)
    if reading is None:
        fields.problems.append(f"The date flag {flag or 'at the end'} is not known here.")
        return
    start, length, read = reading
    digits = dated[start : start + length]
    _take_expiry(fields, digits, read(digits, today_on) if len(digits) == length else None)
    _take_rest(fields, name, dated[start + length :])


def _read_month(digits: str, today_on: str) -> str | None:
    return read_short_date(f"{digits[2:]}{digits[:2]}00", today_on=today_on)


def _read_american(digits: str, today_on: str) -> str | None:
    return _read_full(digits[4:] + digits[:4], today_on)


def _read_full(digits: str, today_on: str) -> str | None:
    if digits[4:6] == "00" or (not digits[6:].isdigit() and digits[6:]):
        return None
    return read_short_date(digits[:6], today_on=today_on)


def _read_julian(digits: str, today_on: str) -> str | None:
    if not digits.isdigit():
        return None
    return read_day_of_year(digits[:5], today_on=today_on)


# Flag: where the date begins, how long it is (with the hour, which is not kept), how it is read.
_DATE_FLAGS: dict[str, tuple[int, int, Callable[[str, str], str | None]]] = {
    "0": (0, 4, _read_month),
    "1": (0, 4, _read_month),
    "2": (1, 6, _read_american),
    "3": (1, 6, _read_full),
    "4": (1, 8, _read_full),
    "5": (1, 5, _read_julian),
    "6": (1, 7, _read_julian),
}


def _take_expiry(fields: LabelFields, digits: str, on: str | None) -> None:
    if on is None:
        problem = f"The expiry date {digits} is no date. Read it from the package."
        fields.spoil("expires_on", problem)
    else:
        fields.put("expires_on", on, "The expiry date")


def _take_rest(fields: LabelFields, name: str, content: str) -> None:
    if content:
        _take_text(fields, name, content)


def _take_text(fields: LabelFields, name: str, content: str) -> None:
    label_name = "The lot" if name == "lot" else "The serial number"
    if not 1 <= len(content) <= _LOT_LENGTH or not set(content) <= _LOT_ALPHABET:
        fields.spoil(
            name,
            f"{label_name} must have 1 to {_LOT_LENGTH} letters and digits. "
            "Read it from the package.",
        )
    else:
        fields.put(name, content, label_name)
