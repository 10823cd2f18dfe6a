"""The search for holes among the vectors: there is none, and a planted one is seen."""

import json

import pytest

from api.storage.packaged_files import read_packaged_rule_files
from tests.mutants import rule_tables
from tests.mutants.mutation import mutate_file
from tests.mutants.named_checks import read_named_checks
from tests.mutants.rule_tables import find_survivors, group_checks, list_paths, main, read_accepted

CONTENTS = read_packaged_rule_files()
COUNTS = "sizing/coil_counts.v1.json"


@pytest.fixture(scope="module")
def checks():
    return group_checks(CONTENTS, read_named_checks())


@pytest.mark.parametrize("path", list_paths(CONTENTS))
def test_a_vector_notices_every_change_of_a_table(path, checks):
    """What `make mutants` reports, table by table; `accepted.json` names what none can notice."""
    assert path in checks, "No named check asks for this rule file. Add vectors to SUITES."
    count, survivors = find_survivors(CONTENTS, path, checks[path])

    assert count > 0
    accepted = read_accepted()
    assert [str(one) for one in survivors if not any(it.covers(one) for it in accepted)] == []


def test_a_hole_among_the_vectors_is_seen(checks, monkeypatch, capsys):
    """Planted: without the one vector at 9.999 mm the second coil may begin there unnoticed."""
    left = [one for one in checks[COUNTS] if not one.name.startswith("[SZ2] 9.999 mm")]
    assert len(left) == len(checks[COUNTS]) - 1
    _, survivors = find_survivors(CONTENTS, COUNTS, left)

    hole = f"{COUNTS} row 2 below_um and from_um: 10000 -> 9999"
    assert [str(one) for one in survivors] == [hole]

    monkeypatch.setattr(rule_tables, "read_named_checks", lambda: left)
    monkeypatch.setattr("sys.argv", ["rule_tables", COUNTS])
    assert main() == 1
    assert f"SURVIVES {hole}" in capsys.readouterr().out


def test_a_table_that_is_written_anew_without_a_change_is_noticed_by_no_check(checks):
    """Else any mutant would count as noticed, whatever the vectors say: by its hash, for one."""
    same = json.dumps(json.loads(CONTENTS[COUNTS]), indent=3).encode()
    assert same != CONTENTS[COUNTS]
    group_checks({**CONTENTS, COUNTS: same}, checks[COUNTS])


def test_a_survivor_that_is_noticed_after_all_is_named(monkeypatch, capsys):
    idle = rule_tables.Accepted(path=COUNTS, key="to_coils", reason="none", row=2)
    monkeypatch.setattr(rule_tables, "read_accepted", lambda: [*read_accepted(), idle])
    monkeypatch.setattr("sys.argv", ["rule_tables", COUNTS])

    assert main() == 1
    assert f"NOTICED AFTER ALL, take it off accepted.json: {COUNTS} to_coils" in (
        capsys.readouterr().out
    )


def test_every_accepted_survivor_has_a_reason():
    assert all(len(one.reason.split()) > 4 for one in read_accepted())


def test_numbers_words_and_shared_bounds_change_one_at_a_time():
    rows = [
        {"below": "2.0", "kind": "a", "n": 5, "is_on": True, "source": "s", "gone": None},
        {"at_least": "2.0", "kind": "b", "n": 0, "parts": ["x", {"y": 1}], "text": "Two words"},
    ]
    mutants = list(mutate_file("a/b.v1.json", json.dumps({"rows": rows}).encode()))

    assert [str(one).removeprefix("a/b.v1.json ") for one in mutants] == [
        "row 1 below: 2.0 -> 2.1",
        "row 1 below: 2.0 -> 1.9",
        "row 1 kind: a -> b",
        "row 1 n: 5 -> 6",
        "row 1 n: 5 -> 4",
        "row 1 is_on: True -> False",
        "row 1 below and at_least: 2.0 -> 2.1",
        "row 1 below and at_least: 2.0 -> 1.9",
        "row 1 at 2.0: below -> at_most",
        "row 2 at_least: 2.0 -> 2.1",
        "row 2 at_least: 2.0 -> 1.9",
        "row 2 kind: b -> a",
        "row 2 n: 0 -> 1",
        "row 2 n: 0 -> -1",
        "row 2 parts.1.y: 1 -> 2",
        "row 2 parts.1.y: 1 -> 0",
    ]
    moved = json.loads(mutants[8].content)["rows"]
    assert (moved[0]["at_most"], moved[1]["above"]) == ("2.0", "2.0")
    assert "below" not in moved[0]
    assert "at_least" not in moved[1]
