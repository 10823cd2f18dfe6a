"""Value cautions: every row of the bands, the two engines, and what a remark never does."""

import json
from decimal import Decimal

import pytest

from api.clinical_rules.errors import RuleFileError
from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.value_cautions import (
    USUAL_BANDS,
    UsualBandRow,
    answer_value_cautions,
    find_value_cautions,
)
from api.storage.packaged_files import read_packaged_rule_files
from tests.unit.api.twin_engine import assert_engines_agree, packaged_rule_book, seeded

BOOK = packaged_rule_book()
ROWS = BOOK.rule_file(USUAL_BANDS, UsualBandRow).rows
ORIGINS = ["measured", "estimated", "earlier-record", "measured-on-image"]
# Past the input ranges, at a bound of a band, tiny, huge, negative, with many decimals.
AMOUNTS = [0, 0.1, 0.3, 1.2, 3, 12, 119.999, 120, 800, 0.000001, -1, -0.0, 2**53 - 1, 1e15, 4.35]


def test_no_band_stands_twice_and_every_one_begins_below_its_end():
    """[VA1]"""
    assert len({(row.quantity, row.unit) for row in ROWS}) == len(ROWS)
    for row in ROWS:
        assert Decimal(row.at_least) < Decimal(row.at_most), row


def _draw(seed):
    draw = seeded(seed)
    row = draw.choice(ROWS)
    bounds = [float(row.at_least), float(row.at_most)]
    request = {
        "quantity": row.quantity,
        "unit": row.unit,
        "amount": draw.choice([*AMOUNTS, *bounds, round(draw.uniform(0, 2000), 3)]),
        "last": draw.choice([*AMOUNTS, *bounds]),
        "origin": draw.choice(ORIGINS),
    }
    if draw.random() < 0.4:
        del request[draw.choice(sorted(request))]
    if draw.random() < 0.15:
        key = draw.choice(sorted(request))
        request[key] = draw.choice(
            [None, "x", "µ", 1e-7, 2**53, 1.23456789, True, [], {}, "toString"]
        )
    if draw.random() < 0.05:
        request["surprise"] = 1
    return request


def test_both_engines_remark_alike():
    """[VA2] 2,000 seeded requests, malformed ones too.

    Planted bug that this caught: ``>`` for ``>=`` at exactly ten times, in Python alone.
    """
    assert_engines_agree("value-cautions", [_draw(seed) for seed in range(2000)])


def test_whatever_is_entered_a_remark_stays_soft_and_short():
    """[VA4] [SOFT-01] [SOFT-02] [SOFT-03] Never a stop, never an error, at most twenty words.

    Planted bug that this caught: "Check the position of the decimal point" in SOFT-02.
    """
    found = 0
    for row in ROWS:
        for amount in AMOUNTS:
            for last in [None, *AMOUNTS]:
                for origin in [None, *ORIGINS]:
                    cautions = find_value_cautions(
                        row.quantity,
                        row.unit,
                        Decimal(repr(amount)),
                        None if last is None else Decimal(repr(last)),
                        origin,
                        rule_book=BOOK,
                    )
                    ids = [caution["id"] for caution in cautions]
                    assert ids == sorted(set(ids))
                    for caution in cautions:
                        found += 1
                        assert caution["level"] in ("caution", "note")
                        assert len(str(caution["text"]).split()) <= 20, caution["text"]
                        assert row.name in str(caution["text"])
                        assert caution["basis"]
                        assert caution["source"]
    assert found > 10_000


def test_tenfold_is_told_from_exact_numbers():
    """[VA2] Every number of up to 300 thousandths, with ten times it and a thousandth beside.

    Planted bug that this caught: `amount` and `last` compared as binary fractions, where ten
    times 0.021 is more than 0.21.
    """
    for thousandths in range(2, 300):
        for move in (-1, 0, 1):
            small = Decimal(thousandths) / 1000
            large = Decimal(thousandths * 10 + move) / 1000
            for amount, last in ((large, small), (small, large)):
                cautions = find_value_cautions(None, "mL", amount, last, None, rule_book=BOOK)
                ids = [caution["id"] for caution in cautions]
                assert ids == (["SOFT-02"] if move >= 0 else []), (amount, last)


def _book_with(change):
    contents = read_packaged_rule_files()
    path = f"{USUAL_BANDS}.v1.json"
    content = json.loads(contents[path])
    change(content["rows"])
    return RuleBook({**contents, path: json.dumps(content).encode()}, on="2026-06-01")


def test_a_band_that_begins_above_its_end_is_a_fault_of_the_file():
    """[VA1] Else every number would be remarked on, and soon nobody would read remarks."""
    book = _book_with(lambda rows: rows[0].update(at_least="900"))

    with pytest.raises(RuleFileError, match="begins above its end"):
        answer_value_cautions({"quantity": "bilirubin", "unit": "umol/L", "amount": 20}, book)


def test_while_no_bands_are_in_force_the_rest_still_answers():
    """[VA5] A unit that has not approved the bands keeps the tenfold check."""
    contents = read_packaged_rule_files()
    listing = json.loads(contents["in_force.json"])
    listing["in_force"] = [one for one in listing["in_force"] if one["name"] != USUAL_BANDS]
    book = RuleBook({**contents, "in_force.json": json.dumps(listing).encode()}, on="2026-06-01")

    answer = answer_value_cautions(
        {"quantity": "short_axis", "unit": "mm", "amount": 140, "last": 14}, book
    )

    assert [caution["id"] for caution in answer["cautions"]] == ["SOFT-02"]
    assert answer["rule_files"] == []
