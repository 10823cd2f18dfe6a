"""Check digits of device codes: published worked examples, then two libraries on random codes.

GS1 against biip 5.2.0. HIBC has no reader in a library at hand, but its check character is that
of Code 39, sum over the alphabet of 43 modulo 43, which python-barcode 0.16.1 calculates.
"""

from collections import Counter

import pytest
from barcode.charsets.code39 import REF
from barcode.codex import Code39
from biip.checksums import gs1_standard_check_digit

from api.clinical_rules.gs1_label import check_digit
from api.clinical_rules.hibc_label import ALPHABET, check_character, sum_characters
from tests.oracles.twin_functions import CLINICAL_RULES, call_there
from tests.unit.api.twin_engine import answer_here, assert_engines_agree, packaged_rule_book, seeded

GS1 = f"{CLINICAL_RULES}/gs1-label.ts"
HIBC = f"{CLINICAL_RULES}/hibc-label.ts"
RULE_BOOK = packaged_rule_book()
CODES = 2000


@pytest.mark.parametrize(
    ("digits", "total", "wanted"),
    [("37610425002123456", 101, 9)],
    ids=["GS1 General Specifications 7.9, worked example of 17 digits"],
)
def test_the_gs1_example_of_the_general_specifications_is_met(digits, total, wanted):
    """[DL2] 37610425002123456: weights 3 and 1 from the right, sum 101, check digit 9."""
    weights = [3 if place % 2 == 0 else 1 for place in range(len(digits))][::-1]
    assert sum(int(digit) * weight for digit, weight in zip(digits, weights, strict=True)) == total

    assert check_digit(digits) == wanted
    assert call_there(GS1, "checkDigit", [(digits,)]) == [wanted]
    assert gs1_standard_check_digit(digits) == wanted


@pytest.mark.parametrize(
    ("content", "total", "wanted"),
    [
        ("+A123BJC5D6E71", 145, "G"),  # ANSI/HIBC 2.6, figures 1 and 3: 145 is 3 x 43 + 16
        ("+H123ABC01234567890", None, "D"),  # ANSI/HIBC 2.6, Appendix C, figure C2
    ],
)
def test_the_hibc_examples_of_the_standard_are_met(content, total, wanted):
    """[DL7] The sum where the standard prints it, and the check character."""
    sums = [sum_characters(content), *call_there(HIBC, "sumCharacters", [(content,)])]
    assert sums[0] == sums[1]
    assert total is None or sums[0] == total

    assert check_character(content) == wanted
    assert call_there(HIBC, "checkCharacter", [(content,)]) == [wanted]
    assert Code39(content, add_checksum=False).calculate_checksum() == wanted


def test_gs1_check_digits_are_those_of_biip():
    """[DL2] 2,000 codes of 7 to 17 digits. Planted bug that this caught: weights from the left."""
    draw = seeded(1)
    codes = [
        "".join(draw.choice("0123456789") for _ in range(draw.randint(7, 17))) for _ in range(CODES)
    ]
    there = call_there(GS1, "checkDigit", [(code,) for code in codes])

    for code, found in zip(codes, there, strict=True):
        assert check_digit(code) == found == gs1_standard_check_digit(code), code


def _hibc_content(draw):
    """Return a made-up code of device, expiry and lot, without its check character."""
    letters = ALPHABET[10:36]
    identifier = draw.choice(letters) + "".join(draw.choice(ALPHABET[:36]) for _ in range(9)) + "1"
    lot = "".join(draw.choice(ALPHABET[:36] + "-. ") for _ in range(draw.randint(1, 15)))
    date = f"{draw.randint(27, 49)}{draw.randint(1, 12):02}{draw.randint(1, 28):02}"
    return f"+{identifier}/$$3{date}{lot}"


def test_the_alphabet_is_that_of_code_39():
    """[DL7] Same characters in the same places."""
    assert tuple(ALPHABET) == REF


def test_hibc_check_characters_are_those_of_code_39():
    """[DL7] 2,000 codes. Planted bug that this caught: `.` and `-` with their places swapped."""
    codes = [_hibc_content(seeded(seed)) for seed in range(CODES)]
    there = call_there(HIBC, "checkCharacter", [(code,) for code in codes])

    for code, found in zip(codes, there, strict=True):
        theirs = Code39(code, add_checksum=False).calculate_checksum()
        assert check_character(code) == found == theirs, code


def test_a_hibc_code_with_one_wrong_character_gives_no_field():
    """[DL7] 2,000 labels with one character replaced, lost or added, told by python-barcode.

    A sum does not see where its characters stand: two neighbours swapped, and a character that
    is worth 0 lost or added, leave it right. Such a code is read, and its raw text is kept; that
    is a limit of the standard and no repair of ours.
    Planted bug that this caught: fields kept when the check character is wrong.
    """
    requests, is_right = [], []
    for seed in range(CODES):
        draw = seeded(seed)
        content = _hibc_content(draw)
        code = content + Code39(content, add_checksum=False).calculate_checksum()
        place = draw.randrange(1, len(code))
        put = draw.choice(ALPHABET)
        spoiled = draw.choice(
            [
                code[:place] + put + code[place + 1 :],
                code[:place] + code[place + 1 :],
                code[:place] + put + code[place:],
            ]
        )
        requests.append({"scanned": spoiled, "today_on": "2026-06-15"})
        check = Code39(spoiled[:-1], add_checksum=False).calculate_checksum()
        is_right.append(check == spoiled[-1])

    assert_engines_agree("device-label", requests)
    counted = Counter(is_right)
    assert counted[False] > 1500
    assert counted[True] > 20
    for request, right in zip(requests, is_right, strict=True):
        answer = answer_here("device-label", request, RULE_BOOK)["answer"]
        fields = [answer[name] for name in ("hibc_identifier", "lot", "serial", "expires_on")]
        is_told = "The check character is wrong. Scan again." in answer["problems"]
        assert is_told != right, request
        assert right or fields == [None] * 4, request


def test_two_neighbours_swapped_are_not_told():
    """[DL7] A limit of the standard, shown so that nobody counts on more."""
    for seed in range(200):
        content = _hibc_content(seeded(seed))
        place = seeded(seed).randrange(1, len(content) - 1)
        swapped = content[:place] + content[place + 1] + content[place] + content[place + 2 :]
        assert check_character(swapped) == check_character(content)
