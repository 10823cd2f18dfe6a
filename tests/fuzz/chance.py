"""Chance that repeats itself, drawing near bounds and along the edges of what can be written."""

import random
from collections.abc import Sequence
from decimal import Decimal
from typing import Any

# Texts on which two engines may come apart: letters that look alike, marks that cannot be seen,
# digits of other scripts, names that every object has, and characters of two code units.
TEXTS = (
    "",
    " ",
    "1",
    "01",
    "-1",
    "true",
    "null",
    "__proto__",
    "constructor",
    "toString",
    "A",
    "\u0410",  # Cyrillic A
    "\uff21",  # full-width A
    "\u0661\u0662",  # Arabic digits
    "\u00b2",  # superscript two
    "e\u0301",
    "\u00e9",
    "\u200b",  # zero-width space
    "\u202e",  # right-to-left mark
    "\u2028",  # line separator
    "\u00df",
    "\u0130",
    "\U0001f600",
    "\ufffd",
    "\x00",
    "\x1d",
    "\t",
    "\n",
    '"',
    "\\",
    "</script>",
    "x" * 300,
)

# Numbers at the ends of what both languages hold, and just beyond.
NUMBERS = (
    0,
    -0.0,
    1,
    -1,
    1.0,
    0.5,
    -0.5,
    1e-7,
    5e-324,
    1e21,
    1.7976931348623157e308,
    2**31,
    2**53 - 2,
    2**53 - 1,
    2**53,
    2**53 + 1,
    -(2**53 - 1),
    -(2**53),
    10**30,
    10_000_000,
    10_000_001,
    0.1 + 0.2,
)

# Latin letters to the Cyrillic ones that look the same, and a hyphen to a typeset one.
_LOOK_ALIKES = str.maketrans(
    "aceiopxyABEHIKMOPTX-",
    "\u0430\u0441\u0435\u0456\u043e\u0440\u0445\u0443\u0410\u0412"
    "\u0415\u041d\u0406\u041a\u041c\u041e\u0420\u0422\u0425\u2010",
)


class Chance(random.Random):
    """A source of chance; the same seed draws the same."""

    def holds(self, share: float) -> bool:
        """Say whether what happens in this share of cases happens now."""
        return self.random() < share

    def maybe(self, key: str, content: Any, share: float = 0.7) -> dict[str, Any]:
        """Return the key with its content in a share of cases, else nothing."""
        return {key: content} if self.holds(share) else {}

    def near(self, bounds: Sequence[int]) -> int:
        """Return a whole number at a bound, or one below or above it."""
        return self.choice(bounds) + self.choice((-1, 0, 0, 1))

    def near_decimal(self, bounds: Sequence[Decimal]) -> float | int:
        """Return a number at a bound, or a last place or much less beside it."""
        bound = self.choice(bounds)
        last_place = Decimal(1).scaleb(int(bound.as_tuple().exponent))
        apart = self.choice((Decimal(0), last_place, Decimal("0.0001"), Decimal("1e-9")))
        return self.write(bound + apart * self.choice((-1, 1)))

    def write(self, amount: Decimal) -> float | int:
        """Return the amount as JSON may write it: a whole number with or without its `.0`."""
        if amount == amount.to_integral_value() and self.holds(0.7):
            return int(amount)
        return float(amount)

    def look_alike(self, text: str) -> str:
        """Return the text changed so that a reader may take it for the same."""
        return self.choice(
            (
                text.translate(_LOOK_ALIKES),
                text.upper(),
                text.lower(),
                text.title(),
                f"{text} ",
                f" {text}",
                f"{text}\u200b",
                f"\ufeff{text}",
                text.replace("-", "_"),
                text.replace("-", "\u2013"),
                text.replace(" ", "\u00a0"),
                text[:-1],
                f"{text}s",
                "".join(chr(ord(one) + 0xFEE0) if "!" <= one <= "~" else one for one in text),
            )
        )
