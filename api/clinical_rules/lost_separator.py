"""Tells where the last field of a GS1 code may hold others: a scanner may drop FNC1 (DL11).

Pure. A lot with an expiry date at its end is another lot, and no recall finds it.
"""

from api.clinical_rules.label_dates import read_short_date
from api.clinical_rules.label_fields import LabelFields

_NUMBERS = ("10", "11", "17", "21")
_DATES = {"11": "made_on", "17": "expires_on"}
_TEXTS = {"10": "lot", "21": "serial"}
_NUMBER, _DATE = 2, 8
# Shorter ones stand in too many lots by chance. From memory, a project default.
_LEAST_BEFORE, _LEAST_AFTER = 3, 4


def find_lost_separator(
    number: str, content: str, fields: LabelFields, *, today_on: str
) -> str | None:
    """Return the number of the field that may begin within a text, None where none does.

    Parameters
    ----------
    number, content : str
        A lot or serial number that ends a code without any separator.
    fields : LabelFields
        What the code says besides: what stands there already begins nowhere else.

    Notes
    -----
    A date must be one of the calendar and end the text, or another known field must follow it. A
    lot within a serial number, or the other way round, must leave enough before and after it.
    """
    places = range(1, len(content) - _NUMBER)
    numbers = {place: content[place : place + _NUMBER] for place in places}
    for place, begun in numbers.items():
        if begun in _DATES and getattr(fields, _DATES[begun]) is None:
            day, after = content[place + _NUMBER : place + _DATE], content[place + _DATE :]
            is_followed = after[:_NUMBER] in _NUMBERS and len(after) > _NUMBER
            is_date = read_short_date(day, today_on=today_on) is not None
            if is_date and (after == "" or is_followed):
                return begun
    other = next(one for one in _TEXTS if one != number)
    is_other = getattr(fields, _TEXTS[other]) is None and any(
        begun == other
        for place, begun in numbers.items()
        if place >= _LEAST_BEFORE and len(content) - place - _NUMBER >= _LEAST_AFTER
    )
    return other if is_other else None
