"""Rule files and vectors keep their shape, and released rule files never change."""

import hashlib
import json
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from tests.documents.describe_rule_files import write_schema

ROOT = Path(__file__).resolve().parents[2]
DATA = ROOT / "api/clinical_rules/data"
RELEASED = ROOT / "tests/documents/released_rule_files.json"
RULE_FILES = sorted(DATA.glob("*/*.json"))
# Those of the store are scripts of steps and have a form of their own.
VECTORS = [
    file
    for file in sorted((ROOT / "tests/conformance").glob("*/*.json"))
    if file.parent.name != "store"
]


def _validate(file: Path, schema: Path) -> None:
    validator = Draft202012Validator(json.loads(schema.read_text()))
    assert [error.message for error in validator.iter_errors(json.loads(file.read_text()))] == []


@pytest.mark.parametrize("file", RULE_FILES, ids=lambda file: file.name)
def test_a_rule_file_has_the_shape_of_the_schema(file):
    """[RF1]"""
    _validate(file, DATA / "rule_file.schema.json")


def test_the_schema_describes_the_rows_that_the_engine_reads():
    """[RF1] Where it does not: python -m tests.documents.describe_rule_files."""
    written = (DATA / "rule_file.schema.json").read_text()

    assert written == write_schema(json.loads(written))


@pytest.mark.parametrize(
    ("name", "row", "is_sound"),
    [
        ("sizing/limits", {"item": "aliquot_ul", "amount": 1000}, True),
        ("sizing/limits", {"item": "aliquot_ul", "amount": "1 mL"}, False),
        ("sizing/limits", {"item": "aliquot_ul"}, False),
        ("sizing/limits", {"item": "aliquot_ul", "amount": 1000, "colour": "red"}, False),
        ("follow_up/early_look", {"item": "aliquot_ul", "amount": 1000}, False),
        ("antithrombotic_holds/own", {"drug": "warfarin", "hold_days": 5}, True),
        ("antithrombotic_holds/own", {"drug": "warfarin", "hold_days": "5"}, False),
    ],
)
def test_the_schema_knows_the_rows_of_each_file(name, row, is_sound):
    """[RF1]"""
    schema = json.loads((DATA / "rule_file.schema.json").read_text())
    whole = json.loads((DATA / "sizing/limits.v1.json").read_text())
    whole.update(name=name, rows=[row])

    assert Draft202012Validator(schema).is_valid(whole) == is_sound


@pytest.mark.parametrize("file", VECTORS, ids=lambda file: f"{file.parent.name}/{file.name}")
def test_a_vector_file_has_the_shape_of_the_schema(file):
    _validate(file, ROOT / "tests/conformance/vector.schema.json")


def test_a_released_rule_file_never_changes():
    """[RF9] Write a new version instead, and list it here and in `in_force.json`."""
    released = json.loads(RELEASED.read_text())
    now = {
        path: hashlib.sha256((DATA / path).read_bytes()).hexdigest()
        for path in released
        if (DATA / path).exists()
    }

    assert now == released


def test_every_rule_file_in_force_is_released():
    """[RF9] Add what is new with `python -m tests.documents.release_rule_files`."""
    listing = json.loads((DATA / "in_force.json").read_text())["in_force"]
    in_force = {f"{one['name']}.v{one['version']}.json" for one in listing}

    assert in_force - set(json.loads(RELEASED.read_text())) == set()


def test_every_number_of_a_rule_names_its_basis():
    """[RF2] A row without a basis has the source of the whole file; ours name theirs."""
    for file in [*DATA.glob("liver_scores/*.json"), *DATA.glob("antithrombotic_holds/*.json")]:
        for row in json.loads(file.read_text())["rows"]:
            assert row["basis"], (file.name, row)
            assert row["source"], (file.name, row)
