"""The identification of a device (UDI) as its own label carries it, or as far as it is known. Pure.

References
----------
Regulation (EU) 2017/745, Annex VI, part C: the carrier has a form for machines and one for people.
GS1 General Specifications: the latter has field numbers in brackets. ANSI/HIBC 2.6: data of two
codes are one after `/`; a check character that is a blank is printed as `_` (from memory).
"""

import re
from collections.abc import Mapping
from typing import Any

import msgspec

from api.clinical_rules.civil_date import is_civil_date
from api.clinical_rules.gs1_elements import Element, is_element, is_gtin, list_elements
from api.clinical_rules.hibc_label import ALPHABET, check_character, read_hibc_label
from api.clinical_rules.label_dates import read_short_date

_PREFIX = re.compile(r"\](?:d2|C1|Q3|e0|J1)")
_ANY_PREFIX = re.compile(r"\][A-Za-z][0-9]")
_HIBC_IDENTIFIER = re.compile(r"[A-Z][A-Z0-9]{4,21}[0-9]")
_FIELDS = {"10": "lot", "21": "serial", "17": "expires_on", "01": "identifier"}
# A code begins with a digit, the line below it with a bracket.
_STARTS = frozenset("(0123456789")
_LETTERS = frozenset("ABCDEFGHIJKLMNOPQRSTUVWXYZ")
# Where nothing tells the century of a date that is compared with nothing.
_SOME_DAY = "2026-01-01"


class Carrier(msgspec.Struct, frozen=True):
    """What stands on a label, "" where no standard of identification is known.

    Parameters
    ----------
    readable : str
        As people read it: field numbers in round brackets, or HIBC.
    code : str
        As a code holds it: field numbers in square brackets, which no content has, or HIBC.
    """

    readable: str
    code: str


def find_carrier(device: Mapping[str, Any], identifier: str) -> Carrier:
    """Return the carrier of a device (DL12).

    Parameters
    ----------
    device : mapping
        As records hold it: ``lot``, ``serial``, ``expires_on``, ``raw_label``.
    identifier : str
        Of the label, or of the item that it is of.
    """
    said = {name: _text(device.get(name)) for name in ("lot", "serial", "expires_on")}
    said["identifier"] = identifier
    codes = _text(device.get("raw_label")).split("\n")
    if is_gtin(identifier):
        elements = _fill(_label_of(codes, said), said)
        return Carrier(*("".join(_bracket(elements, pair)) for pair in ("()", "[]")))
    if is_hibc(identifier):
        code = _hibc_of(codes, said)
        return Carrier(f"{code[:-1]}_" if code.endswith(" ") else code, code)
    return Carrier("", "")


def is_hibc(identifier: str) -> bool:
    """Say whether an identifier has the form of HIBC, as its reader keeps it: without `+`."""
    return _HIBC_IDENTIFIER.fullmatch(identifier) is not None


def find_making_day(carrier: Carrier, *, today_on: str) -> str:
    """Return the day on which a device was made, "" where its label does not say it.

    Parameters
    ----------
    today_on : str
        Decides the century: when the label was read. Nothing is made after it.
    """
    if carrier.code.startswith("["):
        found = re.search(r"\[11\]([0-9]{6})", carrier.code)
        on = read_short_date(found[1], today_on=today_on) if found else None
    elif carrier.code:
        on = read_hibc_label(carrier.code, today_on=today_on).made_on
    else:
        on = None
    return on if on is not None and on <= today_on else ""


def _label_of(codes: list[str], said: Mapping[str, str]) -> list[Element]:
    """Return the elements of the label, none where it is torn or is not what the record says.

    What stands on the label and not in the record was in doubt where it was read.
    """
    found: dict[str, str] = {}
    for code in codes:
        content = _PREFIX.sub("", code, count=1) if _PREFIX.match(code) else code
        if content[:1] not in _STARTS:
            continue
        elements = list_elements(content)
        if elements is None:
            return []
        for number, held in elements:
            if found.setdefault(number, held) != held:
                return []
    is_of_record = all(
        _is_said(number, found[number], said[name])
        for number, name in _FIELDS.items()
        if number in found
    )
    return list(found.items()) if is_of_record else []


def _is_said(number: str, content: str, told: str) -> bool:
    if number != "17":
        return content == told
    return is_civil_date(told) and read_short_date(content, today_on=told) == told


def _fill(elements: list[Element], said: Mapping[str, str]) -> list[Element]:
    """Return the elements with what the record knows besides; what no element can hold is not."""
    known = {number for number, _ in elements}
    on = said["expires_on"]
    day = f"{on[2:4]}{on[5:7]}{on[8:]}" if is_civil_date(on) else ""
    more = [("17", day), ("10", said["lot"]), ("21", said["serial"])]
    first = [] if "01" in known else [("01", said["identifier"])]
    added = [one for one in more if one[0] not in known and is_element(*one)]
    return [*first, *elements, *added]


def _bracket(elements: list[Element], pair: str) -> list[str]:
    return [f"{pair[0]}{number}{pair[1]}{content}" for number, content in elements]


def _hibc_of(codes: list[str], said: Mapping[str, str]) -> str:
    """Return the label as one code, the identifier alone where it is not what the record says."""
    primary = f"+{said['identifier']}"
    link = check_character(primary)
    alone = f"{primary}{link}"
    scanned = [_ANY_PREFIX.sub("", one, count=1) if one.startswith("]") else one for one in codes]
    scanned = [one for one in scanned if one.startswith("+")]
    segments: list[str] = []
    for code in scanned:
        if not set(code) <= set(ALPHABET) or check_character(code[:-1]) != code[-1]:
            return alone
        parts = code[1:-1].split("/")
        if parts[0][:1] in _LETTERS:
            if parts[0] != said["identifier"]:
                return alone
            segments += parts[1:]
        elif parts[-1][-1:] == link:
            # A secondary code on its own ends with the check character of its primary.
            segments += [*parts[:-1], parts[-1][:-1]]
        else:
            return alone
    body = "/".join((primary, *segments))
    whole = f"{body}{check_character(body)}"
    on = said["expires_on"]
    read = read_hibc_label(whole, today_on=on if is_civil_date(on) else _SOME_DAY)
    told = (("lot", read.lot), ("serial", read.serial), ("expires_on", read.expires_on))
    is_of_record = all(held in (None, said[name]) for name, held in told)
    return whole if is_of_record else alone


def _text(value: object) -> str:
    return value if isinstance(value, str) else ""
