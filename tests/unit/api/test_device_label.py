"""Device labels: vectors, published check characters, and the TypeScript twin."""

import pytest

from api.clinical_rules.gs1_label import check_digit
from api.clinical_rules.hibc_label import ALPHABET, check_character, sum_characters
from tests.unit.api.calculation_vectors import check_case
from tests.unit.api.twin_engine import assert_engines_agree, packaged_rule_book, seeded
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


def _draw(seed):
    """Return a label made well, and in two of three cases then spoiled."""
    draw = seeded(seed)
    if draw.random() < 0.5:
        number = "".join(draw.choice("0123456789") for _ in range(13))
        date = f"{draw.randint(0, 99):02}{draw.randint(0, 13):02}{draw.randint(0, 31):02}"
        lot = "".join(draw.choice("ABCxyz019-/._") for _ in range(draw.randint(0, 21)))
        parts = [
            f"01{number}{check_digit(number)}",
            f"17{date}",
            f"11{date[::-1]}",
            f"10{lot}\x1d",
            f"21{lot[::-1]}\x1d",
            "240X1\x1d",
            "3100001234",
        ]
        scanned = draw.choice(["", "]d2", "]C1", "]d1"]) + "".join(
            draw.sample(parts, draw.randint(1, 7))
        )
    else:
        lot = "".join(draw.choice("ABC019-.") for _ in range(draw.randint(0, 19)))
        digits = "".join(draw.choice("0123") for _ in range(draw.randint(0, 8)))
        flag = draw.choice(["$", "$$", "$+", "$$+", "", "S", "14D", "16D", "Q"])
        body = f"+A123BJC5D6E71/{flag}{draw.choice('0123456789')}{digits}{lot}"
        if draw.random() < 0.2:
            body = "+" + body.split("/", 1)[1] + "G"
        if draw.random() < 0.3:
            body += f"/{draw.choice(['S1', '14D20270228', '16D20271301', 'Q5', ''])}"
        scanned = body + check_character(body)
    if draw.random() < 0.66 and scanned:
        place = draw.randrange(len(scanned))
        spoiled = draw.choice(["", "9", "A", "\x1d", "é", "😀", "/", "x"])
        scanned = scanned[:place] + spoiled + scanned[place + draw.randint(0, 2) :]
    return {"scanned": scanned, "today_on": f"20{draw.randint(10, 99)}-06-15"}


def test_both_engines_write_the_same_json_for_random_labels():
    """[DL1] 600 seeded labels. Planted bug that this caught: day 00 read as no date."""
    assert_engines_agree("device-label", [_draw(seed) for seed in range(600)])
