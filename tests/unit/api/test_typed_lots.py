"""What is typed for lots: parted, freed of the word for lot, and told from "nobody knows".

The vectors are those of `pwa/src/clinical-rules/typed-lots.test.ts`.
"""

import json
import random
from pathlib import Path

import pytest

from api.clinical_rules import lot_names
from api.clinical_rules.errors import ShapeError
from api.clinical_rules.implant_search import MOST_LOTS, make_search
from api.clinical_rules.lot_names import (
    LONGEST_NAME,
    compare_any_lot,
    compare_lots,
    forms_one_slip_apart,
    lot_form,
)
from api.clinical_rules.typed_lots import says_no_lot, split_lots

_FILE = Path(__file__).resolve().parents[2] / "conformance/lots/split_lots.json"
CASES = json.loads(_FILE.read_text())["cases"]
PARTED = [one for one in CASES if "lots" in one["expect"]]


def _typed(*, says_no_lot):
    expected = {"says_no_lot": says_no_lot}
    return [one["given"]["typed"] for one in CASES if one["expect"] == expected]


@pytest.mark.parametrize("case", PARTED, ids=lambda one: one["description"])
def test_each_lot_that_a_text_may_name_is_searched_for(case):
    """[LT12] [LT14] Caught: lots parted by blanks or slashes taken as one, which found nobody."""
    assert split_lots(case["given"]["typed"]) == case["expect"]["lots"]


@pytest.mark.parametrize("typed", _typed(says_no_lot=True))
def test_a_word_for_nobody_knows_is_no_lot(typed):
    """[HAZ-46] [LT13] Caught: a lot "unknown" counted as known and left the list of the unknown."""
    assert says_no_lot(typed)
    assert lot_form(typed, {}) == ""
    assert compare_lots("VK4417", typed, {}) == "unknown"


@pytest.mark.parametrize("typed", _typed(says_no_lot=False))
def test_what_only_looks_like_such_a_word_is_a_lot(typed):
    """[LT13] Of an empty text and of letters of another script nothing is said here."""
    assert not says_no_lot(typed)


def test_the_word_for_lot_counts_in_no_comparison():
    """[LT12] A notice that names "LOT L-0755-A" finds who was recorded with "l0755a"."""
    assert compare_lots("LOT L-0755-A", "l0755a", {}) == "same"
    assert compare_lots("L-0755-A", "\uff2c\uff2f\uff34: L0755A", {}) == "same"
    assert compare_lots("LOT7", "7", {}) == "different"


def test_the_forms_of_one_name_are_few_and_of_a_long_one_none():
    """[LT15] Caught: forms by the square of the length, 1.7 GB for one text of 2,698 characters."""
    at = "A" * LONGEST_NAME

    forms = {len(list(forms_one_slip_apart(at[:long], {}))) for long in (20, LONGEST_NAME)}
    assert max(forms) < 100 * LONGEST_NAME
    assert list(forms_one_slip_apart(at + "A", {})) == []
    assert compare_lots(at, at[:-1] + "B", {}) == "near"
    assert compare_lots(at + "A", at + "B", {}) == "different"
    assert compare_lots(at + "A", at + "A", {}) == "same"


def test_the_best_of_several_lots_is_that_of_each_alone():
    """[LT3] [LT7] Those searched for together fit as the best of them does."""
    chance = random.Random(7)
    look_alikes = {"0": "O", "1": "I"}
    order = ("same", "alike", "near", "unknown", "different")
    names = [
        "".join(chance.choices("01OIa-", k=chance.choice((0, 3, 4, 5, 41)))) for _ in range(90)
    ]
    names += ["unknown", "lot 0101", "\u0416401"]
    seen = set()
    for _ in range(4_000):
        lots, held = chance.sample(names, chance.randint(1, 4)), chance.choice(names)
        each = [compare_lots(lot, held, look_alikes) for lot in lots]
        assert compare_any_lot(lots, held, look_alikes) == min(each, key=order.index)
        seen.add(min(each, key=order.index))
    assert seen == set(order)


def test_two_hundred_lots_are_read_once_and_not_with_each_implant(monkeypatch):
    """[LT15] Caught: 8,000 implants held against 200 lots took 17 s, in which nobody could save."""
    read = []
    plain_name = lot_names.plain_name
    monkeypatch.setattr(lot_names, "plain_name", lambda name: read.append(name) or plain_name(name))
    lots = [f"QX31{number:03}" for number in range(MOST_LOTS)]

    for number in range(1_000):
        compare_any_lot(lots, lots[number % MOST_LOTS].lower(), {})

    assert len(read) <= 2 * (MOST_LOTS + 1_000)


def test_a_long_list_is_searched_for_by_its_lots_alone():
    """[LT15] Caught: the whole text of a long list searched for as one lot with all its slips."""
    lots = [f"VK44{number:03}" for number in range(MOST_LOTS)]

    found = split_lots(", ".join(lots))

    assert found == lots
    forms = sum(1 for one in found for _ in forms_one_slip_apart(one, {}))
    assert forms < MOST_LOTS * 100 * 8
    assert make_search({"lots": found}).lots == tuple(lots)
    with pytest.raises(ShapeError, match=r"holds 201 lots, and at most 200 .* in parts\.$"):
        make_search({"lots": [*found, "VK45"]})


def test_nobody_searches_for_a_word_for_nobody_knows():
    """[LT13] A recall by such a word alone would hold every lot, or none."""
    for key, said in (("lots", ["n/a"]), ("serial", "unknown")):
        with pytest.raises(ShapeError, match=r"word for not known\. .*every search\.$"):
            make_search({key: said})
