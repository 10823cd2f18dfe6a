"""Device labels: vectors and published check characters."""

import pytest

from api.clinical_rules.gs1_label import check_digit
from api.clinical_rules.hibc_label import ALPHABET, check_character, sum_characters
from tests.unit.api.calculation_vectors import check_case
from tests.unit.api.twin_engine import packaged_rule_book
from tests.unit.sync.vectors import cases


@pytest.mark.parametrize("case", cases("device_label/answer_device_label.json"))
def test_the_engine_answers_the_vectors(case):
    check_case(case, packaged_rule_book())


@pytest.mark.parametrize(
    ("digits", "expected"),
    [
        ("37610425002123456", 9),  # GS1 General Specifications 7.9, worked example
        ("629104150021", 3),  # public GS1 example, from memory; python-stdnum 2.2 agrees
        ("0952123454321", 3),  # as biip 5.2.0 accepts it
    ],
)
def test_the_gs1_check_digit_is_that_of_the_published_example(digits, expected):
    """[DL2]"""
    assert check_digit(digits) == expected


def test_every_single_wrong_digit_is_found():
    """[DL2] Weights 3 and 1 are both prime to 10. Planted bug that this caught: weights 2 and 1."""
    digits = "09521234543213"
    for place in range(14):
        for digit in "0123456789".replace(digits[place], ""):
            wrong = digits[:place] + digit + digits[place + 1 :]
            assert check_digit(wrong[:-1]) != int(wrong[-1])


def test_the_hibc_check_character_is_that_of_the_published_examples():
    """[DL7] ANSI/HIBC 2.6 figures 1 and 3 (sum 145, G) and C2 (D)."""
    assert sum_characters("+A123BJC5D6E71") == 145
    assert check_character("+A123BJC5D6E71") == "G"
    assert check_character("+H123ABC01234567890") == "D"
    assert len(ALPHABET) == 43
