"""The scorecard holds its 25 items, and whoever gives a 3 names the test that proves it."""

import csv
from pathlib import Path

from tests.safety.named_tests import find_test

CARD = Path(__file__).with_name("scorecard.csv")
COLUMNS = ["number", "star", "item", "score", "date", "commit", "proof", "note"]
STARRED = {1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 21}


def read_card() -> list[dict[str, str]]:
    with CARD.open(encoding="utf-8", newline="") as file:
        rows = csv.DictReader(file)
        assert rows.fieldnames == COLUMNS
        return list(rows)


def faults_of(row: dict[str, str]) -> list[str]:
    """Return sentences on what is wrong with one line of the card."""
    found, score = [], row["score"]
    if score not in {"0", "1", "2", "3"}:
        found.append(f"{row['item']}: the score is 0, 1, 2 or 3.")
    if score == "3" and not row["proof"]:
        found.append(f"{row['item']}: a 3 names its test.")
    if row["proof"] and find_test(row["proof"]) is None:
        found.append(f"{row['item']}: there is no such passing test: {row['proof']}")
    if score in {"0", "1", "2"} and not row["note"]:
        found.append(f"{row['item']}: say what keeps it from a 3.")
    return found


def test_the_25_items_are_there_each_with_its_date():
    rows = read_card()

    assert [int(row["number"]) for row in rows] == list(range(1, 26))
    assert {int(row["number"]) for row in rows if row["star"] == "yes"} == STARRED
    assert all(len(row["date"]) == len("2026-11-26") and row["commit"] for row in rows)


def test_each_score_is_proven_or_says_what_is_missing():
    """Planted here: a 3 without a test, a 3 by a test that is gone, a 2 without a word."""
    assert [fault for row in read_card() for fault in faults_of(row)] == []

    well = {"item": "x", "score": "3", "proof": read_card()[0]["proof"], "note": ""}
    assert faults_of(well) == []
    for change in (
        {"proof": ""},
        {"proof": "tests/safety/test_gone.py::test_it"},
        {"score": "2", "note": ""},
        {"score": "4"},
    ):
        assert faults_of(well | change) != []


def test_no_item_stands_at_nothing():
    """The card's own aim for a first release: no 0 anywhere."""
    assert [row["item"] for row in read_card() if row["score"] == "0"] == []
