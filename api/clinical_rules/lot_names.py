"""How lots, serial numbers and identifiers are compared: as typed, as look-alikes, one slip apart.

Pure: no clock, no store.
"""

import re
import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from typing import Annotated, Literal, NamedTuple

import msgspec

from api.clinical_rules.errors import RuleFileError
from api.clinical_rules.gs1_label import check_digit
from api.clinical_rules.lot_words import says_unknown, without_lot_word
from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.rule_file import Row, RuleFile, path_of

TRACE = "trace/default"
# GS1 General Specifications: the lengths of a GTIN.
_GTIN_LENGTHS = frozenset({8, 12, 13, 14})
# GS1 lots have at most 20 characters; of more than twice as many nothing is one slip apart (LT15).
LONGEST_NAME = 40
# What is no letter and no digit of the keyboards of scanners and labels (LT1).
_LEFT_OUT = re.compile(r"[^0-9A-Za-z]+")

Sign = Annotated[str, msgspec.Meta(pattern="^[0-9A-Z]$", max_length=1)]
Verdict = Literal["same", "alike", "near", "unknown", "different"]
LookAlikes = Mapping[str, str]


class LookAlikeRow(Row, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A sign, and the sign that it is taken as where codes are compared."""

    sign: Sign
    taken_as: Sign


def read_trace_file(rule_book: RuleBook) -> RuleFile[LookAlikeRow]:
    """Return the file of look-alikes, which counts also while nobody has approved it.

    A search that is refused finds nobody.
    """
    return rule_book.rule_file_or_listed(TRACE, LookAlikeRow)


def read_look_alikes(stated: RuleFile[LookAlikeRow]) -> LookAlikes:
    """Return the look-alikes by sign.

    Raises
    ------
    RuleFileError
        A sign stands twice, or is taken as one that is itself taken as another (LT9).
    """
    found = {row.sign: row.taken_as for row in stated.rows}
    for place, row in enumerate(stated.rows, start=1):
        if row.taken_as in found or len(found) != len(stated.rows):
            message = (
                f"Rule file {path_of(stated)}: row {place} or one beside it names a sign twice. "
                "Let each sign be taken as one that is taken as no other."
            )
            raise RuleFileError(message)
    return found


def plain_form(name: str) -> str:
    """Return letters and digits alone, letters as capitals, those of full width as any (LT1).

    Examples
    --------
    >>> plain_form(" lot 0i-7/a ")
    'LOT0I7A'
    """
    return _LEFT_OUT.sub("", unicodedata.normalize("NFKC", name)).upper()


def has_other_script(name: str) -> bool:
    """Say whether a letter or digit stands in it that no label has: nobody knows the name (LT1)."""
    signs = unicodedata.normalize("NFKC", name)
    return any(not sign.isascii() and unicodedata.category(sign)[0] in "LN" for sign in signs)


def plain_name(name: str) -> str:
    """Return the plain form of a lot, without a word for lot before it (LT1, LT12)."""
    return plain_form(without_lot_word(unicodedata.normalize("NFKC", name)))


def lot_form(name: str, look_alikes: LookAlikes) -> str:
    """Return the form under which a lot or serial number is looked up, "" for none (LT1, LT2).

    There is none of a word that says that nobody knows it (LT13).
    """
    plain = plain_name(name)
    if has_other_script(name) or says_unknown(plain):
        return ""
    return "".join(look_alikes.get(sign, sign) for sign in plain)


def identifier_form(name: str, look_alikes: LookAlikes) -> str:
    """Return the form under which a device identifier is looked up (LT5).

    Examples
    --------
    >>> identifier_form("(0)0614141-12345-2", {})
    '614141123452'
    """
    return _without_zeros(lot_form(name, look_alikes))


def compare_lots(one: str, held: str, look_alikes: LookAlikes) -> Verdict:
    """Say how a lot or serial number that is searched for fits one that is held (LT3, LT4)."""
    plain = plain_name(one), plain_name(held)
    if has_other_script(one):
        return "unknown"
    folded = lot_form(one, look_alikes), lot_form(held, look_alikes)
    return _compare(plain, folded)


def compare_any_lot(lots: Sequence[str], held: str, look_alikes: LookAlikes) -> Verdict:
    """Say how that of several lots that fits best fits one that is held (LT3).

    As `compare_lots` says with each, and what is searched for is read once: a notice names
    hundreds, and thousands of implants are held against them.
    """
    folded = lot_form(held, look_alikes) if held else ""
    if folded == "":
        return "unknown"
    sought = _read_sought(tuple(lots), tuple(look_alikes.items()))
    if plain_name(held) in sought.plain:
        return "same"
    if folded in sought.folded:
        return "alike"
    if any(is_one_slip_apart(one, folded) for one in sought.folded if len(one) <= LONGEST_NAME):
        return "near"
    return "unknown" if sought.has_other_script else "different"


def compare_identifiers(one: str, held: str, look_alikes: LookAlikes) -> Verdict:
    """Say how a device identifier that is searched for fits one that is held (LT5)."""
    plain = _without_zeros(plain_form(one)), _without_zeros(plain_form(held))
    if has_other_script(one):
        return "unknown"
    folded = identifier_form(one, look_alikes), identifier_form(held, look_alikes)
    return _compare(plain, folded)


def find_identifier_doubt(identifier: str) -> str | None:
    """Return what is wrong with a number that should be a GTIN, None where nothing is (LT5)."""
    plain = plain_form(identifier)
    if not plain.isdigit():
        return None
    if len(plain) not in _GTIN_LENGTHS:
        return (
            f"The identifier {plain} has not 8, 12, 13 or 14 digits. Compare it with the notice; "
            "it was searched for all the same."
        )
    if check_digit(plain[:-1]) != int(plain[-1]):
        return (
            f"The check digit of the identifier {plain} is wrong. Compare it with the notice; it "
            "was searched for all the same."
        )
    return None


def is_one_slip_apart(one: str, other: str) -> bool:
    """Say whether one sign was put in, left out, changed, or two neighbours swapped (LT3).

    The distance of Damerau and Levenshtein, at most 1.

    Examples
    --------
    >>> is_one_slip_apart("AB12", "A812"), is_one_slip_apart("AB12", "BA21")
    (True, False)
    """
    if one == other:
        return False
    short, long = sorted((one, other), key=len)
    if len(long) - len(short) > 1:
        return False
    start = 0
    while start < len(short) and short[start] == long[start]:
        start += 1
    if len(short) < len(long):
        return short[start:] == long[start + 1 :]
    if short[start + 1 :] == long[start + 1 :]:
        return True
    swapped = short[start : start + 2] == long[start : start + 2][::-1]
    return swapped and short[start + 2 :] == long[start + 2 :]


def forms_one_slip_apart(form: str, look_alikes: LookAlikes) -> Iterator[str]:
    """Yield every form that is near to one (LT3), to look them up in an index; of a long one none.

    So many that of twenty signs there are more than a thousand.
    """
    if not 0 < len(form) <= LONGEST_NAME:
        return
    signs = [sign for sign in "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ" if sign not in look_alikes]
    for place in range(len(form) + 1):
        before, after = form[:place], form[place:]
        for sign in signs:
            yield before + sign + after
            if after:
                yield before + sign + after[1:]
        if after:
            yield before + after[1:]
        if len(after) > 1:
            yield before + after[1] + after[0] + after[2:]


class _Sought(NamedTuple):
    """Lots that are searched for, as they are compared."""

    plain: frozenset[str]
    folded: frozenset[str]
    has_other_script: bool


@lru_cache(maxsize=32)
def _read_sought(lots: tuple[str, ...], folding: tuple[tuple[str, str], ...]) -> _Sought:
    look_alikes = dict(folding)
    known = [one for one in lots if not has_other_script(one)]
    return _Sought(
        plain=frozenset(map(plain_name, known)),
        folded=frozenset(lot_form(one, look_alikes) for one in known) - {""},
        has_other_script=len(known) < len(lots),
    )


def _compare(plain: tuple[str, str], folded: tuple[str, str]) -> Verdict:
    if folded[1] == "":
        return "unknown"
    if plain[0] == plain[1]:
        return "same"
    if folded[0] == folded[1]:
        return "alike"
    is_near = 0 < len(folded[0]) <= LONGEST_NAME and is_one_slip_apart(*folded)
    return "near" if is_near else "different"


def _without_zeros(form: str) -> str:
    return form.lstrip("0") if form.isdigit() else form
