"""How a name is compared: its plain letters, and how it sounds (twin of `name-sounds.ts`)."""

import re
import unicodedata

_PLAIN = str.maketrans(
    {
        **{"ß": "ss", "æ": "ae", "œ": "oe", "ø": "o", "ł": "l"},
        **{"đ": "d", "ð": "d", "þ": "th", "\N{LATIN SMALL LETTER DOTLESS I}": "i"},
    }
)
_CODES = {
    **dict.fromkeys("aeijouy", "0"),
    **dict.fromkeys("bp", "1"),
    **dict.fromkeys("dt", "2"),
    **dict.fromkeys("fvw", "3"),
    **dict.fromkeys("gkq", "4"),
    "l": "5",
    **dict.fromkeys("mn", "6"),
    "r": "7",
    **dict.fromkeys("sz", "8"),
}


def fold_text(text: str) -> str:
    """Return a text in small letters without accents; words stay apart by one space."""
    taken_apart = unicodedata.normalize("NFD", text.lower())
    bare = "".join(sign for sign in taken_apart if not unicodedata.combining(sign))
    return re.sub(r"[\W_]+", " ", bare.translate(_PLAIN)).strip()


def sound_of(word: str) -> str:
    """Return how a word sounds, as digits; "" where it has no Latin letter.

    Notes
    -----
    Cologne phonetics: H. J. Postel 1969, "Die Kölner Phonetik", IBM-Nachrichten 19:925-931.

    Examples
    --------
    >>> sound_of("hernandez") == sound_of("ernandes")
    True
    """
    letters = re.sub(r"[^a-z]", "", word)
    code, last = "", ""
    for place in range(len(letters)):
        for digit in _digits_at(letters, place):
            # The same sound twice is one; a vowel counts at the beginning alone.
            if digit != last and (digit != "0" or not code):
                code += digit
            last = digit
    return code


def _digits_at(letters: str, place: int) -> str:
    before = letters[place - 1] if place else ""
    letter = letters[place]
    after = letters[place + 1] if place + 1 < len(letters) else ""
    if letter == "p" and after == "h":
        return "3"
    if letter in "dt" and after and after in "csz":
        return "8"
    if letter == "x":
        return "8" if before and before in "ckq" else "48"
    if letter == "c":
        if place == 0:
            return "4" if after and after in "ahkloqrux" else "8"
        is_hard = bool(after) and after in "ahkoqux" and not (before and before in "sz")
        return "4" if is_hard else "8"
    return _CODES.get(letter, "")
