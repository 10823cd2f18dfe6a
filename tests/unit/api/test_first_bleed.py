"""First-bleed ranges: what a changed rule file does, and the TypeScript twin."""

import json

import pytest

from api.clinical_rules.errors import RuleFileError
from api.clinical_rules.first_bleed import FirstBleedRow, find_first_bleed_ranges
from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.varix_class import CLASSES
from api.storage.packaged_files import read_packaged_rule_files
from tests.unit.api.twin_engine import assert_engines_agree, packaged_rule_book

PATH = "varix_risk/first_bleed.v1.json"


def _book_with(change):
    contents = read_packaged_rule_files()
    content = json.loads(contents[PATH])
    change(content["rows"])
    return RuleBook({**contents, PATH: json.dumps(content).encode()}, on="2026-06-01")


def test_every_class_is_answered_alike_in_both_engines():
    """[VR1] [VR2]"""
    requests = [{"varix_class": name} for name in CLASSES]
    wrong = [None, 1, True, "", "gov2", [], {}]

    assert_engines_agree("first-bleed", [*requests, {}, *({"varix_class": one} for one in wrong)])
    assert_engines_agree("first-bleed", [{"varix_class": "GOV2", "patient": "p"}, [], "GOV2"])


def test_no_answer_is_a_risk_of_one_patient():
    """[VR3] The figures are those of a series each, with its size; nothing else is numeric."""
    answer = find_first_bleed_ranges("GOV2", packaged_rule_book())

    assert "not the risk of this patient" in str(answer["text"])
    for one in answer["ranges"]:
        for end in ("lowest", "highest"):
            assert one[end]["series"]
            assert one[end]["patients"] > 100
            assert one[end]["source"]


@pytest.mark.parametrize(
    ("lowest", "words"),
    [
        (64, "threefold"),  # 160 / 64 is 2.5, a half up
        (65, "twofold"),
        (46, "threefold"),  # 3.48
        (45, "fourfold"),  # 3.56
    ],
)
def test_the_sentence_follows_the_figures(lowest, words):
    """[VR3] Planted bug that this caught: "threefold" written into the sentence."""

    def change(rows):
        rows[3]["bled_per_mille"] = lowest

    answer = find_first_bleed_ranges("IGV1", _book_with(change))

    assert f"differ {words} at one year" in str(answer["text"])


@pytest.mark.parametrize("lowest", [0, 160])
def test_series_that_agree_or_have_no_bleed_name_no_ratio(lowest):
    """[VR3]"""

    def change(rows):
        rows[3]["bled_per_mille"] = lowest

    answer = find_first_bleed_ranges("IGV1", _book_with(change))

    assert answer["text"] == "Ranges of groups, not the risk of this patient."


def test_of_equal_shares_the_first_row_is_named():
    """[VR2]"""

    def change(rows):
        rows[3]["bled_per_mille"] = rows[0]["bled_per_mille"]

    answer = find_first_bleed_ranges("IGV1", _book_with(change))
    (first, *_) = answer["ranges"]

    assert first["lowest"] == first["highest"]
    assert first["lowest"]["series"] == "Kim 1997"


@pytest.mark.parametrize("share", [-1, 1001])
def test_a_share_beyond_the_whole_is_a_fault_of_the_file(share):
    """[VR4]"""

    def change(rows):
        rows[4]["bled_per_mille"] = share

    with pytest.raises(RuleFileError, match=r"row 5 cannot be read .Expected `int` .= "):
        find_first_bleed_ranges("GOV2", _book_with(change))


@pytest.mark.parametrize("share", [0, 1000])
def test_none_and_all_are_shares(share):
    """[VR4]"""

    def change(rows):
        rows[4]["bled_per_mille"] = share

    assert find_first_bleed_ranges("GOV2", _book_with(change))["ranges"]


def test_no_series_loses_patients_who_had_bled():
    """[VR2] By a later year at least as many of the same series have bled."""
    rows = packaged_rule_book().rule_file("varix_risk/first_bleed", FirstBleedRow).rows
    for series in {row.series for row in rows}:
        shares = [
            row.bled_per_mille
            for row in sorted(rows, key=lambda row: row.years)
            if row.series == series
        ]
        assert shares == sorted(shares)
        assert len(shares) == 3
