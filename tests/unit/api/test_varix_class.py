"""Class of gastric varices answers to the vectors that both engines read."""

import itertools
import json
from pathlib import Path

import pytest

from api.clinical_rules.errors import RuleFileError, ShapeError
from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.varix_class import CLASSES, SITES, classify_varix, find_size_class
from api.storage.packaged_files import read_packaged_rule_files
from tests.unit.api.twin_engine import assert_engines_agree, packaged_rule_book, seeded

FILE = Path(__file__).resolve().parents[2] / "conformance/varix_class/classify_varix.json"
CASES = json.loads(FILE.read_text())["cases"]
ROOT = Path(__file__).resolve().parents[3]
CATALOGUE = ROOT / "api/record_catalogue/catalogue.json"
STATED_USE = ROOT / "api/clinical_rules/data/intended_use/default.v1.json"


@pytest.mark.parametrize("case", CASES, ids=[case["description"] for case in CASES])
def test_class_answers_to_its_vector(case):
    given, expect = case["given"], case["expect"]
    if isinstance(expect, dict):
        with pytest.raises(ShapeError) as refused:
            classify_varix(given["is_continuous"], given["sites"])
        assert str(refused.value).startswith(expect["refused"])
        return

    assert classify_varix(given["is_continuous"], given["sites"]) == expect


def test_every_class_is_one_that_the_catalogue_holds():
    """[VC1] [VC2] [VC3] Over every continuity and every set of sites.

    [HAZ-13] What the catalogue holds beside them is no gastric varix, and outside the stated use.
    """
    found = {
        classify_varix(is_continuous, sites)
        for is_continuous in (True, False, None)
        for count in range(len(SITES) + 1)
        for sites in itertools.combinations(SITES, count)
    }
    kinds = json.loads(CATALOGUE.read_text())

    assert found == set(CLASSES)
    elsewhere = {"oesophageal", "duodenal", "rectal", "other"}
    assert set(_find_values(kinds, "varix_class")) == found | elsewhere
    stated = json.loads(STATED_USE.read_text())["rows"]
    classes = next(row["one_of"] for row in stated if row["fact"] == "varix_class")
    assert set(classes) == found


def test_a_size_class_is_derived_and_never_stored():
    """[VC5] No field of any record holds one; the axis in micrometres is what is kept."""
    kinds = CATALOGUE.read_text()

    assert "size_class" not in kinds
    assert "short_axis_um" in kinds
    assert find_size_class(10_000, packaged_rule_book()) == "medium"


def test_size_classes_with_a_gap_are_refused():
    """[VC4] A varix between two classes would have none."""
    contents = read_packaged_rule_files()
    path = "varix_class/size_classes.v1.json"
    content = json.loads(contents[path])
    content["rows"][2]["above"] = "11"
    book = RuleBook({**contents, path: json.dumps(content).encode()}, on="2026-06-01")

    with pytest.raises(RuleFileError, match="band 3 of the short axis must begin above 10"):
        find_size_class(10_500, book)


def _draw(seed):
    draw = seeded(seed)
    request = {
        "is_continuous": draw.choice([True, False, None, "yes"]),
        "sites": draw.sample([*SITES, *SITES, "cardia"], draw.randrange(4)),
        "short_axis_um": draw.choice(
            [0, 4999, 5000, 5001, 10_000, 10_001, 2**53 - 1, -1, 1.5, "x"]
        ),
    }
    if draw.random() < 0.3:
        del request[draw.choice(sorted(request))]
    return request


def test_both_engines_classify_alike():
    """[VC6] Planted bug that this caught: `inputs` naming the sites that were left out."""
    assert_engines_agree("varix-class", [_draw(seed) for seed in range(500)])


def _find_values(part: object, field: str) -> list[str]:
    if isinstance(part, dict):
        if part.get("id") == field:
            return list(part["values"])
        return next((got for one in part.values() if (got := _find_values(one, field))), [])
    if isinstance(part, list):
        return next((got for one in part if (got := _find_values(one, field))), [])
    return []
