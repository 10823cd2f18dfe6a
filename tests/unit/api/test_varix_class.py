"""Class of gastric varices answers to the vectors that both engines read."""

import itertools
import json
from pathlib import Path

import pytest

from api.clinical_rules.errors import ShapeError
from api.clinical_rules.varix_class import SITES, classify_varix

FILE = Path(__file__).resolve().parents[2] / "conformance/varix_class/classify_varix.json"
CASES = json.loads(FILE.read_text())["cases"]
CATALOGUE = Path(__file__).resolve().parents[3] / "api/record_catalogue/catalogue.json"


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
    """[VC1] [VC2] [VC3] Over every continuity and every set of sites."""
    found = {
        classify_varix(is_continuous, sites)
        for is_continuous in (True, False, None)
        for count in range(len(SITES) + 1)
        for sites in itertools.combinations(SITES, count)
    }
    kinds = json.loads(CATALOGUE.read_text())

    assert found == set(_find_values(kinds, "varix_class"))


def _find_values(part: object, field: str) -> list[str]:
    if isinstance(part, dict):
        if part.get("id") == field:
            return list(part["values"])
        return next((got for one in part.values() if (got := _find_values(one, field))), [])
    if isinstance(part, list):
        return next((got for one in part if (got := _find_values(one, field))), [])
    return []
