"""Makes GS1 labels and spoils them: one character, two neighbours, a separator, a date, a field."""

from collections.abc import Callable
from dataclasses import dataclass
from random import Random

from tests.unit.api.twin_engine import seeded

FNC1 = "\x1d"
# The GS1 set of 82, as its figure lists it.
ALLOWED = "!\"%&'()*+,-./0123456789:;<=>?ABCDEFGHIJKLMNOPQRSTUVWXYZ_abcdefghijklmnopqrstuvwxyz"
STRANGE = [" ", "#", "$", "@", "\\", "^", "~", "é", "٣", FNC1, "\t", "]"]
PREFIXES = ["]d2", "]C1", "]Q3", "]e0", "]J1", "]d1", "]C0", "]E0", "]Z9"]


@dataclass(frozen=True)
class Label:
    """One label: its element strings as made, what spoiled it, and what a scanner hands over."""

    scanned: str
    today_on: str
    spoiled_by: str


def _digits(draw: Random, length: int) -> str:
    return "".join(draw.choice("0123456789") for _ in range(length))


def _text(draw: Random, length: int) -> str:
    return "".join(draw.choice(ALLOWED) for _ in range(length))


def _identifier(draw: Random) -> str:
    """Return 14 digits; the last makes the weighted sum a multiple of ten, found by trying."""
    body = draw.choice(["", "0", "00", "000000"]) + _digits(draw, 13)
    body = body[:13]
    for last in range(10):
        digits = [int(digit) for digit in f"{body}{last}"]
        if sum(digits[0::2]) * 3 + sum(digits[1::2]) in range(0, 1000, 10):
            return f"{body}{last}"
    raise AssertionError(body)


def _date(draw: Random) -> str:
    day = draw.choice([0, 1, 28, 29, 30, 31, draw.randint(1, 28)])
    return f"{draw.randint(0, 99):02}{draw.randint(1, 12):02}{day:02}"


def _parts(draw: Random) -> list[str]:
    """Return element strings in chance order, each as long as the standard says, no FNC1."""
    wanted = {
        "01": f"01{_identifier(draw)}",
        "17": f"17{_date(draw)}",
        "11": f"11{_date(draw)}",
        "10": f"10{_text(draw, draw.choice([1, 2, 6, 10, 19, 20]))}",
        "21": f"21{_text(draw, draw.choice([1, 5, 12, 20]))}",
    }
    kept = [part for number, part in wanted.items() if number == "01" or draw.random() < 0.75]
    draw.shuffle(kept)
    return kept


def join_parts(parts: list[str]) -> str:
    """Return a message: fields of no fixed length end with FNC1, but for the last one."""
    fixed = ("00", "01", "02", "03", "11", "12", "13", "15", "16", "17", "20", "31", "41")
    ended = [part if part.startswith(fixed) else f"{part}{FNC1}" for part in parts]
    return "".join(ended).removesuffix(FNC1)


def _spoil_part(draw: Random, parts: list[str], number: str, content: str) -> str:
    kept = [part for part in parts if not part.startswith(number)]
    kept.insert(draw.randint(0, len(kept)), f"{number}{content}")
    return join_parts(kept)


def _replace(draw: Random, message: str) -> str:
    place = draw.randrange(len(message))
    put = draw.choice([*"0123456789", *"AZaz/-", *STRANGE])
    return message[:place] + put + message[place + 1 :]


def _swap(draw: Random, message: str) -> str:
    place = draw.randrange(len(message) - 1)
    return message[:place] + message[place + 1] + message[place] + message[place + 2 :]


def _lose_separator(draw: Random, parts: list[str]) -> str:
    message = join_parts([*parts, "21AB1"])
    places = [place for place, character in enumerate(message) if character == FNC1]
    if not places:
        return message
    place = draw.choice(places)
    return message[:place] + message[place + 1 :]


def _other_digit(draw: Random, message: str) -> str:
    """Return the message with one digit in the script of Egypt: a digit to some, to us none."""
    place = draw.choice([place for place, one in enumerate(message) if one.isdigit()])
    return message[:place] + "٠١٢٣٤٥٦٧٨٩"[int(message[place])] + message[place + 1 :]


def _drop(draw: Random, message: str) -> str:
    place = draw.randrange(len(message))
    return message[:place] + message[place + 1 :]


def _add(draw: Random, message: str) -> str:
    place = draw.randrange(len(message) + 1)
    return message[:place] + draw.choice([*"0159AZ", *STRANGE]) + message[place:]


def _wrong_check_digit(draw: Random, parts: list[str]) -> str:
    digits = _identifier(draw)
    wrong = (int(digits[-1]) + draw.randint(1, 9)) % 10
    return _spoil_part(draw, parts, "01", f"{digits[:-1]}{wrong}")


def _wrong_date(draw: Random, parts: list[str]) -> str:
    date = draw.choice(
        ["271300", "270000", "270015", "270132", "270431", "270230", "270229", "A70101", "2701 1"]
    )
    return _spoil_part(draw, parts, draw.choice(["11", "17"]), date)


def _twice(draw: Random, parts: list[str]) -> str:
    again = draw.choice(parts)
    if draw.random() < 0.7:
        again = next(part for part in [*_parts(draw), again] if part[:2] == again[:2])
    return join_parts([*parts, again])


def _other_field(draw: Random, parts: list[str]) -> str:
    other = draw.choice(
        [
            *[f"240{_text(draw, 4)}", "422840", "3103001234", "70032701011230", "99x", "20 1"],
            *[f"00{_digits(draw, 18)}", "4145012345000008", "14270101", "2012", "88", "0"],
        ]
    )
    return join_parts([*parts[:1], other, *parts[1:]])


SPOILINGS: dict[str, Callable[[Random, list[str]], str]] = {
    "nothing": lambda draw, parts: join_parts(parts),
    "a character replaced": lambda draw, parts: _replace(draw, join_parts(parts)),
    "a character lost": lambda draw, parts: _drop(draw, join_parts(parts)),
    "a character added": lambda draw, parts: _add(draw, join_parts(parts)),
    "two neighbours swapped": lambda draw, parts: _swap(draw, join_parts(parts)),
    "a separator lost": _lose_separator,
    "a wrong check digit": _wrong_check_digit,
    "a date that is none": _wrong_date,
    "a lot too long or empty": lambda draw, parts: _spoil_part(
        draw, parts, "10", _text(draw, draw.choice([0, 21, 22, 30]))
    ),
    "a field twice": _twice,
    "another field": _other_field,
    "another field, its separator lost": lambda draw, parts: (
        join_parts([*parts[:1], draw.choice(["422840", "4211ab", "70010123456789012"])])
        + join_parts(parts[1:])
    ),
    "a digit of another script": lambda draw, parts: _other_digit(draw, join_parts(parts)),
    "a needless separator": lambda draw, parts: FNC1.join(parts),
    "two separators for one": lambda draw, parts: (FNC1 * 2).join(parts),
    "a blank at an end": lambda draw, parts: draw.choice([" {}", "{} ", "{}\t", "\x1d{}"]).format(
        join_parts(parts)
    ),
}


def make_label(seed: int) -> Label:
    """Return a label of this seed; each way of spoiling it comes up in turn."""
    draw = seeded(seed)
    name = list(SPOILINGS)[seed % len(SPOILINGS)]
    message = SPOILINGS[name](draw, _parts(draw))
    prefix = draw.choice(PREFIXES) if draw.random() < 0.3 else ""
    return Label(f"{prefix}{message}", f"20{draw.randint(10, 99)}-06-15", name)
