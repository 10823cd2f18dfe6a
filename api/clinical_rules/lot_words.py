"""Words that people write where a lot stands: one for "lot" before it, and that nobody knows it.

Pure. Each word stands in the vectors `lots/split_lots.json`.
"""

import re

# A label has one such word; a text that repeats it is not worth more than so many turns.
_MOST_WORDS = 3
# What parts words in one line; both engines take these alone for blanks.
BLANKS = "\t\v\f \u00a0\u2000-\u200a\u202f\u3000"
# A word for lot, or the number of its GS1 field, before the lot itself (LT12).
_LOT_WORD = re.compile(
    rf"^[{BLANKS}\n\r]*(?:\(10\)|(?:lot|batch|charge|ch\.?[-{BLANKS}]*b\.?|lote|partida)"
    rf"(?:[{BLANKS}]*(?:number|nummer|num|no|nr)\.?)?"
    rf"(?:[{BLANKS}]*[:.#=]+[{BLANKS}]*|[{BLANKS}]+))",
    re.IGNORECASE | re.ASCII,
)
# Written where nobody knows the lot, in English, German and Spanish, as letters alone (LT13).
_UNKNOWN = frozenset(
    {
        *("UNKNOWN", "UNK", "NOTKNOWN", "ILLEGIBLE", "UNREADABLE", "NOTREADABLE", "NOTLEGIBLE"),
        *("NONE", "NIL", "NA", "NOTAVAILABLE", "NOTRECORDED", "MISSING", "NOLOT", "NOTGIVEN"),
        *("UNBEKANNT", "NICHTBEKANNT", "UNLESERLICH", "NICHTLESBAR", "KEINE", "KEINER", "KEINS"),
        *("KEIN", "KEINEANGABE", "KA", "FEHLT", "OHNE", "NICHTVORHANDEN"),
        *("DESCONOCIDO", "DESCONOCIDA", "NOCONOCIDO", "ILEGIBLE", "NOLEGIBLE", "NINGUNO"),
        *("NINGUNA", "NOCONSTA", "NODISPONIBLE", "SINDATOS", "SINLOTE", "FALTA"),
    }
)
_WORDS_FOR_LOT = ("LOT", "BATCH", "CHARGE", "LOTE", "PARTIDA")


def without_lot_word(name: str) -> str:
    """Return a name without the words for lot before it; a word alone stands (LT12).

    Examples
    --------
    >>> without_lot_word("LOT: (10)VK4417"), without_lot_word("LOT7"), without_lot_word("Lot no. 7")
    ('VK4417', 'LOT7', '7')
    """
    for _ in range(_MOST_WORDS):
        rest = _LOT_WORD.sub("", name, count=1)
        if rest == name or not any(sign.isalnum() for sign in rest):
            break
        name = rest
    return name


def says_unknown(plain: str) -> bool:
    """Say whether letters and digits, as capitals, are a word for "nobody knows" (LT13).

    Examples
    --------
    >>> says_unknown("NA"), says_unknown("LOTUNKNOWN"), says_unknown("NA1")
    (True, True, False)
    """
    rest = next((plain.removeprefix(one) for one in _WORDS_FOR_LOT if plain.startswith(one)), "")
    return plain in _UNKNOWN or rest in _UNKNOWN


def is_lot_word(plain: str) -> bool:
    """Say whether letters and digits, as capitals, are a word for lot and nothing more."""
    return plain in _WORDS_FOR_LOT
