"""Reads the line below a GS1 code, field numbers in round brackets, by the rules of the code. Pure.

References
----------
GS1 General Specifications, human readable interpretation (4.14, from memory): the brackets are no
part of the data and stand in no code.
"""

import re

from api.clinical_rules.gs1_label import spoil_field, take_element
from api.clinical_rules.label_fields import LabelFields

# A content with a bracket of its own is not told apart from a field.
_FIELD = re.compile(r"\(([0-9]{2,4})\) *([^() ]+) *")


def read_gs1_line(line: str, *, today_on: str) -> LabelFields:
    """Return the fields of a line that begins with a bracket.

    Notes
    -----
    Rule DL13. Where no field follows, nobody knows where the content of the last one ends.
    """
    fields = LabelFields()
    elements, end = part_line(line)
    if end < len(line):
        fields.problems.append(
            f"After {end} characters no field in brackets follows. Write the line as printed."
        )
        if elements:
            spoil_field(fields, elements.pop()[0])
    for number, content in elements:
        take_element(fields, number, content, today_on)
    return fields


def part_line(line: str) -> tuple[list[tuple[str, str]], int]:
    """Return the fields of a line, and after how many characters none follows."""
    found: list[tuple[str, str]] = []
    place = 0
    while (field := _FIELD.match(line, place)) is not None:
        found.append((field[1], field[2]))
        place = field.end()
    return found, place
