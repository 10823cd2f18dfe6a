"""Labels for the device reader: made well, then in many cases spoiled by one character."""

from collections.abc import Callable
from typing import Any

from api.clinical_rules.gs1_label import check_digit
from api.clinical_rules.hibc_label import ALPHABET, check_character
from api.clinical_rules.rule_book import RuleBook
from tests.fuzz.chance import TEXTS, Chance

_DIGITS = "0123456789"
_GS1_OTHERS = ("240X1\x1d", "3100001234", "00" + "1" * 18, "8008260101\x1d", "20", "37", "9")
_PREFIXES = ("", "", "", "]d2", "]C1", "]Q3", "]e0", "]J1", "]d1", "]", "]D2")
_FLAGS = ("$", "$$", "$+", "$$+", "$$8", "$$9", "$$+8", "", "S", "14D", "16D", "Q")
_LATER = ("S1", "S", "14D20270228", "16D20271301", "16D20280229", "Q5", "", "14D20270200")


def prepare_draw(_rule_book: RuleBook) -> Callable[[Chance], dict[str, Any]]:
    """Return what draws a request; the standards themselves are the rules here."""
    return _draw


def _draw(chance: Chance) -> dict[str, Any]:
    year = chance.randint(2010, 2099)
    scanned = (_draw_gs1 if chance.holds(0.5) else _draw_hibc)(year, chance)
    if chance.holds(0.4) and scanned:
        place = chance.randrange(len(scanned))
        other = chance.choice((*_DIGITS, *TEXTS, "A", "/", "+", scanned[-1]))
        scanned = scanned[:place] + other + scanned[place + chance.randint(0, 2) :]
    return {"scanned": scanned, "today_on": f"{year}-{chance.choice(('01-01', '06-15', '12-31'))}"}


def _digits(count: int, chance: Chance) -> str:
    return "".join(chance.choices(_DIGITS, k=count))


def _draw_year(year: int, chance: Chance) -> str:
    """Return two digits of a year, often at the ends of the century that is meant (DL4)."""
    apart = chance.choice((-51, -50, -49, -1, 0, 1, 49, 50, 51, chance.randrange(100)))
    return f"{(year + apart) % 100:02}"


def _draw_date(year: int, chance: Chance) -> str:
    month, day = chance.choice((0, 1, 2, 2, 4, 12, 13)), chance.choice((0, 1, 28, 29, 30, 31, 32))
    return f"{_draw_year(year, chance)}{month:02}{day:02}"


def _draw_lot(letters: str, longest: int, chance: Chance) -> str:
    length = chance.choice((0, 1, 5, 5, longest - 1, longest, longest + 1))
    return "".join(chance.choices(letters, k=length))


def _draw_gs1(year: int, chance: Chance) -> str:
    number = _digits(13, chance)
    check = check_digit(number) if chance.holds(0.9) else chance.randrange(10)
    lot = _draw_lot("ABCxyz019-/._", 20, chance)
    parts = [
        f"01{number}{check}",
        f"17{_draw_date(year, chance)}",
        f"11{_draw_date(year, chance)}",
        f"10{lot}\x1d",
        f"21{lot[::-1]}\x1d",
        chance.choice(_GS1_OTHERS),
    ]
    parts += [chance.choice(parts)] if chance.holds(0.2) else []
    code = "".join(chance.sample(parts, chance.randint(1, len(parts))))
    return chance.choice(_PREFIXES) + code.removesuffix("\x1d")


def _draw_hibc(year: int, chance: Chance) -> str:
    primary = chance.choice(("A123BJC5D6E71", "H123ABC01", "A1234", "A12345", "A" + "1" * 22))
    date = chance.choice(
        (
            _draw_date(year, chance)[2:4] + _draw_year(year, chance),
            _draw_date(year, chance),
            _draw_date(year, chance) + chance.choice(("00", "23", "24", "x1")),
            f"{_draw_year(year, chance)}{chance.choice((0, 1, 59, 60, 365, 366, 367)):03}",
            _digits(chance.randrange(9), chance),
            "",
        )
    )
    quantity = _digits(chance.choice((0, 2, 5)), chance)
    lot = _draw_lot("ABC019-. ", 18, chance)
    segment = f"{chance.choice(_FLAGS)}{chance.choice(('', quantity))}"
    segment += f"{chance.choice((*_DIGITS, ''))}{date}{lot}"
    body = f"+{primary}/{segment}"
    if chance.holds(0.2):
        body = f"+{segment}{chance.choice(ALPHABET)}"
    if chance.holds(0.3):
        body += f"/{chance.choice(_LATER)}"
    return body + (check_character(body) if set(body) <= set(ALPHABET) else "0")
