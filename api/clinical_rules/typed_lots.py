"""The lots that a person typed into one field: the whole, its parts, and their pieces.

Pure. What parts lots on one label is a sign of the lot on another: both are searched for, and
whoever searches is told which.
"""

import re

from api.clinical_rules.lot_names import LONGEST_NAME, has_other_script, plain_form
from api.clinical_rules.lot_words import BLANKS, is_lot_word, says_unknown, without_lot_word

# Fewer letters and digits are part of a lot and no lot by themselves. From memory.
_SHORTEST_PIECE = 3
_BETWEEN_PARTS = re.compile(r"[;,\n\r]+")
_BETWEEN_PIECES = re.compile(rf"[{BLANKS}/]+")
_AROUND = re.compile(rf"^[{BLANKS}\n\r]+|[{BLANKS}\n\r]+\Z")


def split_lots(typed: str) -> list[str]:
    """Return every lot that a text may name, each once and the whole first (LT14).

    Parted at commas, semicolons and ends of lines; at blanks, tabs and slashes too, where what
    lies between may be a lot by itself.

    Examples
    --------
    >>> split_lots("VK4417, VK4499")
    ['VK4417, VK4499', 'VK4417', 'VK4499']
    >>> split_lots("LOT VK4417 VK4499")
    ['VK4417 VK4499', 'VK4417', 'VK4499']
    >>> split_lots("VK 7/B")
    ['VK 7/B']
    """
    whole = _trim(typed)
    parts = [one for one in map(_trim, _BETWEEN_PARTS.split(typed)) if _has_sign(one)]
    found = [whole] if len(parts) > 1 and _is_short(whole) else []
    for part in parts:
        apart = _part_pieces(part)
        found += [part] if _is_short(part) or not apart else []
        found += apart
    return list(dict.fromkeys(found)) or [whole]


def says_no_lot(typed: str) -> bool:
    """Say whether what was typed for a lot says that nobody knows it, as "n/a" or "?" (LT13)."""
    plain = plain_form(without_lot_word(typed))
    if has_other_script(typed):
        return False
    return says_unknown(plain) if plain else _trim(typed) != ""


def _trim(text: str) -> str:
    return without_lot_word(_AROUND.sub("", text))


def _part_pieces(part: str) -> list[str]:
    """Return what may be lots within a part: one number alone is the rest of a lot."""
    pieces = [one for one in map(_trim, _BETWEEN_PIECES.split(part)) if one]
    apart = [one for one in pieces if _may_stand_alone(one)]
    if len(pieces) == 1 or (len(apart) == 1 and plain_form(apart[0]).isdigit()):
        return []
    return apart


def _has_sign(text: str) -> bool:
    return plain_form(text) != "" or has_other_script(text)


def _is_short(text: str) -> bool:
    return len(plain_form(text)) <= LONGEST_NAME


def _may_stand_alone(piece: str) -> bool:
    plain = plain_form(piece)
    has_digit = any(sign.isdigit() for sign in plain)
    is_word = is_lot_word(plain) or says_unknown(plain)
    return len(plain) >= _SHORTEST_PIECE and has_digit and not is_word
