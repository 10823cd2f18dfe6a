"""The one way into every calculation, and the strict reading of requests."""

import json

import pytest

from api.clinical_rules.calculate import CALCULATIONS, calculate
from api.clinical_rules.errors import CalculationRefusedError, RuleFileError
from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.shapes import flag, list_of, number, one_of, shape, text, whole_number
from api.storage.packaged_files import read_packaged_rule_files
from tests.unit.api.twin_engine import answer_here, answer_there, packaged_rule_book

RULE_BOOK = packaged_rule_book()
ALBI = {"bilirubin": {"value": 10, "unit": "umol/L"}, "albumin": {"value": 40, "unit": "g/L"}}


def test_the_five_kinds_are_those_of_the_command():
    assert list(CALCULATIONS) == [
        "liver-scores",
        "sizing",
        "follow-up",
        "antithrombotic-holds",
        "device-label",
    ]


def test_bytes_and_a_parsed_object_give_the_same_answer():
    request = {**ALBI}

    assert calculate("liver-scores", request, RULE_BOOK) == calculate(
        "liver-scores", json.dumps(request).encode(), RULE_BOOK
    )


def test_the_request_is_left_as_it_was():
    request = {**ALBI, "inr": None}
    before = json.dumps(request)
    calculate("liver-scores", request, RULE_BOOK)

    assert json.dumps(request) == before


@pytest.mark.parametrize(
    ("kind", "request_", "sentence"),
    [
        ("dosing", b"{}", "There is no calculation dosing. Ask for one of liver-scores, sizing"),
        ("liver-scores", b"{", "The request is no JSON"),
        ("liver-scores", b"\xff\xfe", "The request is no JSON"),
        ("liver-scores", b"", "The request is no JSON"),
        ("liver-scores", b'{"inr": NaN}', "The request is no JSON"),
        ("liver-scores", b"[" * 100_000, "The request is no JSON"),
        ("liver-scores", b"[]", "The request must be one JSON object"),
        ("liver-scores", b"null", "The request must be one JSON object"),
        ("liver-scores", b'{"inr": 1e300}', "inr must be a number, not a number that large"),
        ("liver-scores", b'{"albumin": 4}', "albumin must be an object, not a whole number"),
        ("liver-scores", b'{"albumin": {"value": 4}}', "albumin.unit is missing. Add it."),
        ("antithrombotic-holds", b"{}", "procedure_on is missing. Add it."),
        (
            "antithrombotic-holds",
            b'{"procedure_on": "2026-03-10", "urgent": false, "drugs": ["aspirin", 5]}',
            "drugs[1] must be text, not a whole number. Correct it.",
        ),
        ("device-label", b'{"scanned": "1"}', "today_on is missing. Add it."),
    ],
)
def test_bad_input_gets_one_sentence_that_says_what_to_do(kind, request_, sentence):
    with pytest.raises(CalculationRefusedError) as refused:
        calculate(kind, request_, RULE_BOOK)

    assert str(refused.value).startswith(sentence)
    assert refused.value.answer == {}
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize(
    ("kind", "request_"),
    [
        ("liver-scores", {}),
        (
            "antithrombotic-holds",
            {"procedure_on": "2026-03-10", "urgent": True, "drugs": ["warfarin"]},
        ),
        ("device-label", {"scanned": "?", "today_on": "2026-11-25"}),
    ],
)
def test_when_nothing_could_be_calculated_the_refusal_carries_the_answer(kind, request_):
    """[AH3] [DL9] [LS8]"""
    with pytest.raises(CalculationRefusedError) as refused:
        calculate(kind, request_, RULE_BOOK)

    assert "rule_files" in refused.value.answer


@pytest.mark.parametrize("kind", ["liver-scores", "antithrombotic-holds"])
def test_every_answer_names_rule_files_with_the_hash_on_disk(kind):
    """[RF7]"""
    request = {
        "liver-scores": ALBI,
        "antithrombotic-holds": {
            "procedure_on": "2026-03-10",
            "urgent": False,
            "drugs": ["aspirin"],
        },
    }[kind]
    answer = calculate(kind, request, RULE_BOOK)

    assert answer["rule_files"]
    for one in answer["rule_files"]:
        assert set(one) == {"name", "version", "sha256"}
        assert len(one["sha256"]) == 64


def test_a_coefficient_that_is_missing_is_named():
    """[RF6] The rule file is at fault, not the request: a clinical owner must mend it."""
    contents = read_packaged_rule_files()
    path = "liver_scores/coefficients.v1.json"
    whole = json.loads(contents[path])
    whole["rows"] = [row for row in whole["rows"] if row["term"] != "log10_bilirubin_umol_l"]
    contents[path] = json.dumps(whole).encode()

    with pytest.raises(RuleFileError, match="albi has no term log10_bilirubin_umol_l"):
        calculate("liver-scores", ALBI, RuleBook(contents, on="2026-11-25"))


READ = shape(
    {"name": text, "count": whole_number},
    {
        "size": number,
        "is_open": flag,
        "kind": one_of("a", "b"),
        "parts": list_of(shape({"n": text})),
    },
)


def test_a_shape_returns_what_is_there_and_nothing_else():
    read = READ({"name": "x", "count": 1.0, "size": None, "parts": [{"n": "y"}]}, "")

    assert read == {"name": "x", "count": 1, "parts": [{"n": "y"}]}
    assert type(read["count"]) is int


def test_both_engines_write_the_same_sentence_for_every_wrong_type():
    """Every key of every kind with every wrong type, unknown keys and keys left out."""
    wrong = [None, True, 0, -1, 1.5, 9007199254740992, "x", "2026-02-30", [], {}, ["x"], {"x": 1}]
    good = {
        "liver-scores": {**ALBI, "inr": 1, "sex": "male", "dialysis": False, "age_years": 50},
        "antithrombotic-holds": {
            "profile": "bsg-esge-2021",
            "procedure_on": "2026-03-10",
            "urgent": False,
            "creatinine_clearance_ml_per_min": 60,
            "drugs": ["warfarin"],
        },
        "device-label": {"scanned": "+A123BJC5D6E71G", "today_on": "2026-11-25"},
    }
    for kind, whole in good.items():
        requests = [{**whole, "surprise": 1}, {**whole, "__proto__": 1}]
        requests += [{**whole, key: content} for key in whole for content in wrong]
        requests += [{one: whole[one] for one in whole if one != key} for key in whole]
        here = [
            json.dumps(answer_here(kind, one, RULE_BOOK), ensure_ascii=False, separators=(",", ":"))
            for one in requests
        ]

        assert answer_there(kind, requests) == here
