"""Elements of a GS1 label in their order: field number (AI) and content. Pure.

References
----------
GS1 General Specifications, section 3: field numbers and what each may hold; the numbers of device
labels alone, from memory and compared with the library biip 5.2.0.
"""

from api.clinical_rules.gs1_label import ALPHABET, FIXED_LENGTHS, SEPARATOR, check_digit
from api.clinical_rules.gs1_line import part_line
from api.clinical_rules.label_dates import read_short_date

Element = tuple[str, str]

_GTIN_LENGTH = 14
_DATES = ("11", "12", "13", "15", "16", "17")
# Number of a field: whether it holds digits alone, and how many signs at least and at most.
_CONTENTS: dict[str, tuple[bool, int, int]] = {
    "10": (False, 1, 20),
    "20": (True, 2, 2),
    "21": (False, 1, 20),
    "22": (False, 1, 20),
    "240": (False, 1, 30),
    "241": (False, 1, 30),
    "250": (False, 1, 30),
    "251": (False, 1, 30),
    "30": (True, 1, 8),
    "37": (True, 1, 8),
    "8012": (False, 1, 20),
    "90": (False, 1, 30),
    **{str(number): (False, 1, 20) for number in range(710, 717)},
    **{str(number): (False, 1, 90) for number in range(91, 100)},
}
_LONGEST_NUMBER = 4


def is_gtin(text: str) -> bool:
    """Say whether a text is a GTIN of 14 digits with its check digit (DL2)."""
    return (
        len(text) == _GTIN_LENGTH
        and text.isascii()
        and text.isdigit()
        and check_digit(text[:-1]) == int(text[-1])
    )


def list_elements(content: str) -> list[Element] | None:
    """Return every element of a code without its symbology prefix, or of its line, in order.

    None where one is torn, stands twice with another content, or has a number that is not known
    here: a label is passed on whole or not at all.

    Examples
    --------
    >>> list_elements("0102012345678903112504301728043010L-1")
    [('01', '02012345678903'), ('11', '250430'), ('17', '280430'), ('10', 'L-1')]
    """
    if content.startswith("("):
        fields, end = part_line(content)
        return _once(fields) if end == len(content) else None
    found: list[Element] = []
    rest = content
    while rest:
        length = FIXED_LENGTHS.get(rest[:2])
        end = rest.find(SEPARATOR) if length is None else length
        element = rest if end == -1 else rest[:end]
        rest = rest[len(element) :].removeprefix(SEPARATOR)
        known = _part(element)
        if known is None:
            return None
        found.append(known)
    return _once(found)


def is_element(number: str, content: str) -> bool:
    """Say whether a field may hold a content."""
    if number == "01":
        return is_gtin(content)
    if number in _DATES:
        # The century hardly matters: of two digits 00 alone is a leap year in one and not another.
        return read_short_date(content, today_on="2026-01-01") is not None
    kept = _CONTENTS.get(number)
    if kept is None:
        return False
    is_numeric, least, most = kept
    if not least <= len(content) <= most or not set(content) <= ALPHABET:
        return False
    return content.isdigit() if is_numeric else True


def _once(elements: list[Element]) -> list[Element] | None:
    """Return each element once, None where one may not hold its content or has two."""
    found: dict[str, str] = {}
    for number, content in elements:
        if not is_element(number, content) or found.setdefault(number, content) != content:
            return None
    return list(found.items())


def _part(element: str) -> Element | None:
    for length in range(2, _LONGEST_NUMBER + 1):
        number, content = element[:length], element[length:]
        if is_element(number, content):
            return number, content
    return None
