"""What differs between two versions of a rule file, in words and numbers.

Planted bugs that this caught: a row gone not told, yes taken for 1, the unit of the old row said of
the new, a row that moved taken for unchanged, the source of the file not looked at.
"""

import json
from importlib import resources
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from api.clinical_rules.errors import RuleFileError
from api.command_line import main
from api.storage.packaged_files import read_packaged_rule_files
from api.use_cases.amount_words import say_value
from api.use_cases.rule_file_diff import diff_rule_files

_TWICE = (
    '"project default: twice the limit of adhesive (pure), as a 1 to 1 mixture holds"; '
    'what it rests on "unit setting".'
)
CONTENTS = read_packaged_rule_files()
FILES = sorted(path for path in CONTENTS if ".v" in path)


def _file(rows, **changed):
    head = {
        "name": "x/y",
        "version": 1,
        "status": "in force",
        "in_force_from": "2026-01-01",
        "source": {"title": "T", "edition": "1", "page": ""},
        "approved_by": [],
        "unit": "days",
        "rows": rows,
        "note": "",
    }
    return json.dumps({**head, **changed}).encode()


def test_rows_new_gone_changed_and_moved_are_told_by_name():
    """[DM-11] [WD1]"""
    old = [
        {"item": "aliquot_ul", "amount": 1000},
        {"item": "stop_margin_um", "amount": 2000},
        {"item": "wait_days", "amount": 5},
    ]
    new = [
        {"item": "wait_days", "amount": 7},
        {"item": "aliquot_ul", "amount": 1000},
        {"item": "ratio_per_mille", "amount": 1200},
    ]

    assert diff_rule_files(_file(old), _file(new, version=2)) == [
        "Wait changes from 5 days to 7 days.",
        "Ratio is new: 1.2 times.",
        "Margin between measured depth and needle stop is gone; it said: 2 mm.",
        "Wait moves: it stood after One injection holds at most and stands first.",
    ]


def test_the_head_of_a_file_is_told_as_well():
    """[WD1] [WD3]"""
    rows = [{"id": "a", "text": "A"}]
    new = _file(
        rows,
        version=2,
        unit="words",
        in_force_from="2026-06-01",
        source={"title": "T", "edition": "2", "page": "12"},
    )

    assert diff_rule_files(_file(rows), _file(rows, version=2)) == []
    assert diff_rule_files(_file(rows), new) == [
        'The unit of the file changes from "days" to "words".',
        'The first day of the file changes from "2026-01-01" to "2026-06-01".',
        'The source of the file: its edition changes from "1" to "2".',
        'The source of the file: its page changes from "" to "12".',
    ]


def test_a_row_that_nothing_names_is_changed_where_most_of_it_stayed():
    """[WD2]"""
    old = [
        {"id": "G", "when": "a", "level": "soft", "text": "One."},
        {"id": "G", "when": "b", "level": "hard", "text": "Two."},
    ]
    new = [
        {"id": "G", "when": "a", "level": "soft", "text": "Another."},
        {"id": "H", "when": "c", "level": "soft", "text": "Three."},
        {"id": "H", "when": "d", "level": "soft", "text": "Four."},
    ]

    assert diff_rule_files(_file(old), _file(new, version=2)) == [
        'Row 1 (G, a): its sentence changes from "One." to "Another.".',
        'Row 2 is new: id "H"; when it counts "c"; level "soft"; its sentence "Three.".',
        'Row 3 is new: id "H"; when it counts "d"; level "soft"; its sentence "Four.".',
        'Row 2 is gone; it said: id "G"; when it counts "b"; level "hard"; its sentence "Two.".',
    ]


@pytest.mark.parametrize(
    ("value", "key", "row", "unit", "said"),
    [
        (1500, "loop_um", {}, "", "1.5 mm"),
        (45000, "amount", {"item": "aliquot_ms_per_ml"}, "", "45 s per mL"),
        (250, "amount", {"item": "prime_ul"}, "", "0.25 mL"),
        (3, "at_most", {"name": "bilirubin", "unit": "mg/dL"}, "as named", "3 mg/dL"),
        ("34.2", "below", {"unit": "umol/L"}, "as named", "34.2 umol/L"),
        (160, "bled_per_mille", {}, "", "16 %"),
        (1, "days", {}, "", "1 day"),
        ("unit-setting", "basis", {}, "", '"unit setting"'),
        (4000, "limit", {"limit_unit": "ul"}, "", "4 mL"),
        (7, "points", {"unit": "mg/dL"}, "as named", "7"),
        (5, "amount", {"item": "tries"}, "days and counts, as each key says", "5"),
        (5, "amount", {"item": "tries"}, "px", "5 px"),
        (True, "lapses", {}, "days", "yes"),
        (1, "lapses", {}, "days", "1"),
        (None, "detail", {}, "", "nothing"),
        (["a", "b"], "classes", {}, "", '["a", "b"]'),
        ({"id": "a", "days": 3}, "reason", {}, "", '(id "a"; days 3 days)'),
    ],
)
def test_a_value_is_said_with_its_unit(value, key, row, unit, said):
    """[WD1]"""
    assert say_value(value, key, row, unit) == said


def test_each_value_is_said_in_the_unit_of_its_own_row():
    """[WD1]"""
    old = [{"name": "bilirubin", "at_most": 3, "unit": "mg/dL"}]
    new = [{"name": "bilirubin", "at_most": 51, "unit": "umol/L"}]

    assert diff_rule_files(_file(old), _file(new, version=2)) == [
        "Bilirubin: at most changes from 3 mg/dL to 51 umol/L.",
        'Bilirubin: unit changes from "mg/dL" to "umol/L".',
    ]


def test_yes_is_not_one():
    """[WD3]"""
    assert diff_rule_files(_file([{"id": "a", "on": True}]), _file([{"id": "a", "on": 1}])) == [
        "A: on changes from yes to 1."
    ]


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_whatever_is_changed_in_a_released_file_is_told_with_both_values(data):
    """[DM-11] [WD1] [WD3] One value, one row less, or two rows turned round."""
    path = data.draw(st.sampled_from(FILES))
    content = json.loads(CONTENTS[path])
    rows = content["rows"]
    place = data.draw(st.integers(0, len(rows) - 1))
    key = data.draw(st.sampled_from(sorted(rows[place])))
    change = data.draw(st.sampled_from(("value", "gone", "turned")))
    was = rows[place][key]
    if change == "value":
        rows[place][key] = 917_603 if isinstance(was, int) and not isinstance(was, bool) else "Zx"
    elif change == "gone":
        rows.pop(place)
    else:
        rows.reverse()
    new = json.dumps({**content, "version": content["version"] + 1}).encode()

    told = diff_rule_files(CONTENTS[path], new)

    if content["rows"] == json.loads(CONTENTS[path])["rows"]:
        assert told == []
        return
    assert told
    if change == "value":
        new_one = say_value(rows[place][key], key, rows[place], content["unit"])
        # What names the row is told as its name.
        named = str(rows[place][key])
        assert any(new_one in sentence or named in sentence for sentence in told)
        assert len(told) <= 4
    if change == "gone":
        assert sum("is gone" in sentence for sentence in told) == 1
        assert not any("changes from" in sentence for sentence in told)


@pytest.mark.parametrize("path", FILES)
def test_no_released_file_differs_from_itself(path):
    """[WD3]"""
    assert diff_rule_files(CONTENTS[path], CONTENTS[path]) == []


def test_every_row_that_a_release_added_is_told():
    """[DM-11] [WD1] The second limits of sizing have three rows more than the first."""
    told = diff_rule_files(CONTENTS["sizing/limits.v1.json"], CONTENTS["sizing/limits.v2.json"])

    assert [one.partition(" is new: ")[::2] for one in told if "is new" in one] == [
        (
            "Mix (adhesive + oil) in a session, limit of caution",
            f"8 mL; its source {_TWICE}",
        ),
        (
            "Mix (adhesive + oil) in a session, limit above which a second person agrees",
            f"12 mL; its source {_TWICE}",
        ),
        (
            "Most oil for one part of adhesive",
            '2 times; its source "project default; published mixtures reach 0.5 to 0.8: Soehendra, '
            'from memory; over-dilution delays setting: from memory"; what it rests on '
            '"unit setting".',
        ),
    ]


def test_two_rows_of_one_word_are_told_apart():
    """[WD1] Caught: a wait in days and one in hours were both called "Wait"."""
    old = [{"item": "wait_days", "amount": 5}, {"item": "wait_months", "amount": 5}]
    new = [{"item": "wait_days", "amount": 6}, {"item": "wait_months", "amount": 5}]

    assert diff_rule_files(_file(old), _file(new, version=2)) == [
        'Wait ["wait_days"] changes from 5 days to 6 days.'
    ]


@pytest.mark.parametrize("path", FILES)
def test_no_row_of_a_release_is_called_by_the_id_of_its_limit(path):
    """[DM-11] Caught: `soft_limit_ul: amount changes from 4000 uL`, which nobody says."""
    content = json.loads(CONTENTS[path])
    for row in content["rows"]:
        for key, value in row.items():
            if isinstance(value, int) and not isinstance(value, bool):
                row[key] = value + 7

    told = diff_rule_files(CONTENTS[path], json.dumps(content).encode())

    said = [one.partition(" changes from ")[0] for one in told if " changes from " in one]
    assert [one for one in said if "_" in one or "[" in one] == []


@pytest.mark.parametrize(
    ("new", "part"),
    [(b"{", "second rule file cannot be read"), (_file([], name="x/z"), "two rule files")],
)
def test_what_is_no_version_of_it_is_refused(new, part):
    """[DM-11]"""
    with pytest.raises(RuleFileError, match=part):
        diff_rule_files(_file([]), new)


def test_the_command_says_what_changes(tmp_path):
    """[DM-11]"""
    data = Path(str(resources.files("api.clinical_rules"))) / "data"
    old, new = data / "sizing/limits.v1.json", data / "sizing/limits.v2.json"

    told = CliRunner().invoke(main, ["rules", "diff", str(old), str(new)])
    same = CliRunner().invoke(main, ["rules", "diff", str(old), str(old)])
    missing = CliRunner().invoke(main, ["rules", "diff", str(old), str(tmp_path / "none")])

    assert (told.exit_code, same.exit_code, missing.exit_code) == (0, 0, 2)
    assert "Mix (adhesive + oil) in a session, limit of caution is new: 8 mL" in told.output
    assert "Nothing changes" in same.output
    assert "Name a rule file" in missing.output
