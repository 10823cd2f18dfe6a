"""The list of OWASP ASVS 5.0.0 items, level 1 and 2, and what this project does about each."""

import csv
from pathlib import Path
from typing import NamedTuple

PATH = Path(__file__).with_name("asvs_l2.csv")


class Item(NamedTuple):
    """One item; ``evidence`` is the test that proves it, or the reason where there is none.

    ``word`` stands in that test and says what of it proves the item; "" where a word of the summary
    stands there.
    """

    id: str
    level: int
    summary: str
    verdict: str
    evidence: str
    word: str


def read_items() -> list[Item]:
    """Return the items in the order of the standard."""
    with PATH.open(newline="", encoding="utf-8") as file:
        return [
            Item(
                row["id"],
                int(row["level"]),
                *(row[name] for name in ("summary", "verdict", "evidence", "word")),
            )
            for row in csv.DictReader(file)
        ]
