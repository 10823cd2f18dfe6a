"""Grades of adverse events: vectors, the shape of the rule files, and the TypeScript twin."""

import json
from typing import Any

import pytest

from api.clinical_rules.adverse_events import DRUGS, FACTS, GRADES, KIND, grade_adverse_event
from api.clinical_rules.errors import CalculationRefusedError, RuleFileError, ShapeError
from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.shapes import flag, natural_number
from api.storage.packaged_files import read_packaged_rule_files
from tests.unit.api.calculation_vectors import holds_within
from tests.unit.api.inner_engines import INNER
from tests.unit.api.twin_engine import ON, assert_engines_agree, packaged_rule_book, seeded
from tests.unit.sync.vectors import cases

BOOK = packaged_rule_book()


@pytest.mark.parametrize("case", cases("adverse_events/grade_adverse_event.json"))
def test_the_engine_answers_the_vectors(case):
    request, expected = case["given"]["request"], case["expect"]
    if "refused" not in expected:
        answer = grade_adverse_event(request, BOOK)
        assert holds_within(expected, answer), answer
        return
    with pytest.raises((CalculationRefusedError, ShapeError)) as refused:
        grade_adverse_event(request, BOOK)
    assert expected["refused"] in str(refused.value)
    answer = getattr(refused.value, "answer", {})
    assert holds_within(expected["answer"], answer), answer


def draw_facts(seed: int) -> dict[str, Any]:
    draw = seeded(seed)
    facts: dict[str, Any] = {}
    for fact, reader in FACTS.items():
        if draw.random() < draw.choice([0.15, 0.5, 0.9]):
            if reader is flag:
                facts[fact] = draw.random() < 0.3
            elif reader is natural_number:
                facts[fact] = draw.choice([0, 0, 0, 1, 2, 3, 4, 10, 11, 23, 24, 25, 47, 48, 72])
            else:
                facts[fact] = draw.choice(DRUGS)
    if "admission_hours" in facts and "admission_nights" in facts and draw.random() < 0.9:
        facts["admission_nights"] = facts["admission_hours"] // 24
    return facts


def complete(facts: dict[str, Any], seed: int) -> dict[str, Any]:
    """Return the facts with all others drawn, so that the admission fits."""
    draw = seeded(seed)
    whole = dict(facts)
    for fact, reader in FACTS.items():
        if fact in whole:
            continue
        if reader is flag:
            whole[fact] = draw.random() < 0.2
        elif reader is natural_number:
            whole[fact] = draw.choice([0, 0, 1, 2, 4, 11, 24])
        else:
            whole[fact] = draw.choice(DRUGS)
    if "admission_hours" not in facts:
        nights = whole["admission_nights"]
        whole["admission_hours"] = draw.choice(
            [24 * nights + 23, 24 * nights + 1] if nights else [0, 5, 23]
        )
        if "admission_nights" in facts and nights == 1:
            whole["admission_hours"] = draw.choice([1, 23, 24, 47])
    elif "admission_nights" not in facts:
        hours = whole["admission_hours"]
        whole["admission_nights"] = hours // 24 + (draw.randrange(2) if hours else 0)
    return whole


def graded(facts: dict[str, Any]) -> dict[str, Any] | None:
    try:
        return grade_adverse_event(facts, BOOK)
    except (CalculationRefusedError, ShapeError):
        return None


def test_what_is_left_out_only_ever_raises_a_grade_and_is_named():
    """[AE1] [AE5] Whatever the facts left out turn out to be, no grade falls, and one that rises
    was `at_least` and rises by facts that stood under `missing`.

    Caught two planted bugs: `grades.index(row.grade) > rank + 1` in what could raise a grade, and
    `_hours_of` one day short (`_DAY_HOURS * nights` as the most).
    """
    rises = stands = 0
    for seed in range(3000):
        facts = draw_facts(seed)
        before = graded(facts)
        after = graded(complete(facts, seed + 1)) if before is not None else None
        if before is None or after is None:
            continue
        for scale, grades in GRADES.items():
            one, other = before[scale], after[scale]
            first, then = grades.index(one["grade"]), grades.index(other["grade"])
            assert then >= first, facts
            if then > first:
                rises += 1
                assert one["at_least"], facts
                assert {why["fact"] for why in other["because"]} <= set(one["missing"]), facts
            stands += not one["at_least"]
    assert rises > 300
    assert stands > 300


def test_everything_missing_can_raise_the_grade():
    """[AE1] No question is asked in vain: some answer to each missing fact alone raises a grade.

    Caught a planted bug: facts that stand in any row were named, also when the grade was above it.
    """
    asked = 0
    numbers = [1, 2, 4, 11, 23, 24, 25, 48, 96, 264, 2000]
    for seed in range(400):
        facts = draw_facts(seed)
        before = graded(facts)
        if before is None:
            continue
        for fact in before["missing"]:
            asked += 1
            reader = FACTS[fact]
            contents = [True] if reader is flag else numbers
            tried = [graded({**facts, fact: one}) for one in [*contents, *DRUGS]]
            given = [after for after in tried if after is not None]
            assert any(
                GRADES[scale].index(after[scale]["grade"])
                > GRADES[scale].index(before[scale]["grade"])
                for after in given
                for scale in GRADES
            ), (facts, fact)
    assert asked > 500


@pytest.mark.parametrize("scale", GRADES)
def test_every_grade_and_every_row_says_on_what_basis(scale):
    """[AE3] A grade that no row gives could never be reached; "none" needs no row."""
    file = json.loads(read_packaged_rule_files()[f"adverse_events/{scale}.v1.json"])

    assert {"none", *(row["grade"] for row in file["rows"])} == set(GRADES[scale])
    assert all(row["basis"] and row["source"] for row in file["rows"])
    assert file["approved_by"] == []


@pytest.mark.parametrize(
    ("fault", "sentence"),
    [
        ({"grade": "II b"}, "row 1: grade must be one of none, I, II"),
        ({"fact": "dialysis"}, "row 1: fact must be one of phone_contact, "),
        ({"is": None}, "row 1 needs one of `at_least`, `is` and `one_of`"),
        ({"at_least": 1}, "row 1 needs one of `at_least`, `is` and `one_of`"),
        ({"is": None, "at_least": 1}, "with a content that phone_contact can have. Correct it."),
        ({"is": 1}, "with a content that phone_contact can have. Correct it."),
        ({"fact": "drugs", "is": None, "one_of": ["antibiotic"]}, "that drugs can have"),
        ({"fact": "drugs", "is": None, "one_of": []}, "that drugs can have"),
        ({"fact": "surgery", "is": None, "one_of": ["yes"]}, "that surgery can have"),
        ({"fact": "failing_organs", "is": None, "at_least": -1}, "row 1 cannot be read"),
        ({"when": "always"}, "row 1 cannot be read"),
    ],
)
def test_a_row_that_gives_no_clear_grade_is_refused(fault, sentence):
    """[AE3]"""
    contents = dict(read_packaged_rule_files())
    path = "adverse_events/agree.v1.json"
    file = json.loads(contents[path])
    row = {**file["rows"][0], **fault}
    file["rows"][0] = {key: content for key, content in row.items() if content is not None}
    contents[path] = json.dumps(file).encode()

    with pytest.raises(RuleFileError) as refused:
        grade_adverse_event({"death": True}, RuleBook(contents, on=ON))
    assert sentence in str(refused.value)
    assert path in str(refused.value)


def test_both_engines_write_the_same_json_for_random_facts():
    """[AE2] 400 seeded requests, spoiled ones among them.

    Planted bug that this caught: `because` in the order of the rows in one engine.
    """
    requests = [draw_facts(seed) for seed in range(300)]
    for seed in range(100):
        draw = seeded(seed)
        spoiled = draw_facts(seed)
        spoiled[draw.choice([*FACTS, "dialysis"])] = draw.choice(
            [None, True, "yes", "other", -1, 0.5, 1.0, 2**53, [], {}, 1e300]
        )
        requests.append(spoiled)
    # Both would refuse an unknown kind alike.
    assert KIND in INNER
    assert_engines_agree(KIND, requests)
