"""Everything that is wrong with a rule file, told at once."""

import json

import pytest

from api.clinical_rules.errors import RuleFileError
from api.clinical_rules.rule_faults import list_faults
from api.clinical_rules.rule_trial import try_rule_file
from api.storage.packaged_files import read_packaged_rule_files

HELD = read_packaged_rule_files()
FILES = sorted(path for path in HELD if ".v" in path)
LIMITS = json.loads(HELD["sizing/limits.v2.json"]) | {"version": 1001}


def _faults(change, *, name="sizing/limits.v2.json"):
    file = json.loads(HELD[name]) | {"version": 1001}
    change(file)
    return list_faults(json.dumps(file).encode(), HELD)


def test_each_faulty_row_is_a_sentence():
    """[DM-11] [WD7] Caught: of three faults the first alone was told."""

    def spoil(file):
        file["status"] = "draft"
        del file["rows"][1]["source"]
        file["rows"][3]["amount"] = -4
        file["rows"][5]["colour"] = "red"

    faults = _faults(spoil)

    assert len(faults) == 4
    assert ["calls itself draft" in one for one in faults] == [True, False, False, False]
    for part, sentence in zip(
        ("row 2 has no source", "row 4 cannot be read", "row 6 cannot be read"),
        faults[1:],
        strict=True,
    ):
        assert part in sentence


def test_each_row_that_is_left_out_is_a_sentence():
    """[WD7] [RL8]"""
    faults = _faults(lambda file: file.update(rows=file["rows"][2:-1]))

    assert [one.split(" has no row ")[1].split(",")[0] for one in faults] == [
        "loop_low_per_mille",
        "loop_high_per_mille",
        "thick_wire_um",
    ]


def test_what_only_a_calculation_finds_is_told_too():
    """[WD7] Rows are read one by one; that their ranges overlap is seen by whoever calculates."""
    (fault,) = _faults(
        lambda file: file["rows"][1].update(from_um=4_000), name="sizing/coil_counts.v1.json"
    )

    assert "overlap" in fault


@pytest.mark.parametrize(
    ("content", "part"),
    [
        (b"", "cannot be read"),
        (b"[" * 100_000, "cannot be read"),
        (b'{"name": "sizing/limits", "version": 1001, "rows": ' + b"[" * 100_000, "cannot be read"),
        (b"\xff", "cannot be read"),
        (json.dumps(LIMITS | {"name": "x/y"}).encode(), "No calculator reads"),
        (json.dumps(LIMITS | {"colour": "red"}).encode(), "colour"),
    ],
)
def test_what_is_no_rule_file_is_one_sentence(content, part):
    """[WD7]"""
    (fault,) = list_faults(content, HELD)

    assert part in fault


@pytest.mark.parametrize("path", FILES)
def test_a_file_has_faults_exactly_where_it_is_not_taken(path):
    """[WD7] Each file of the release, and each with its last row gone."""
    whole = json.loads(HELD[path]) | {"version": 1001}
    for file in (whole, whole | {"rows": whole["rows"][:-1]}):
        content = json.dumps(file).encode()
        try:
            try_rule_file(content, HELD)
            is_taken = True
        except RuleFileError:
            is_taken = False

        assert (list_faults(content, HELD) == []) is is_taken
