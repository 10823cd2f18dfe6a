"""A rule file that was altered after two people approved it gives no number."""

import hashlib
import random

import pytest

from api.clinical_rules.errors import RuleFileError
from api.clinical_rules.rule_book import RuleBook, read_listing
from api.clinical_rules.rule_release import Approval, Release
from api.clinical_rules.sizing_limits import LimitRow
from api.storage.packaged_files import read_packaged_rule_files

ON = "2026-11-25"
CONTENTS = read_packaged_rule_files()
NAME = "sizing/limits"
VERSION = read_listing(CONTENTS)[NAME]
PATH = f"{NAME}.v{VERSION}.json"
SHA = hashlib.sha256(CONTENTS[PATH]).hexdigest()
APPROVALS = (
    Approval("staff/wren", "Dr Wren Quillfeather", "endoscopist", SHA, "2026-01-01"),
    Approval("staff/pell", "Pell Thistlewood", "assistant", SHA, "2026-01-01"),
)


def live_book(content: bytes) -> RuleBook:
    """Return the book of a live unit whose people approved the bytes as released.

    As in `unit_rules.py`, a release bears the digest of the bytes held, an approval its own.
    """
    held = hashlib.sha256(content).hexdigest()
    release = Release(name=NAME, version=VERSION, sha256=held, approvals=APPROVALS)
    return RuleBook({**CONTENTS, PATH: content}, on=ON, releases=(release,), is_training=False)


def test_of_1000_single_bits_flipped_none_leaves_a_number():
    """[HAZ-11] The book of a live unit, and the one that a case has pinned.

    Planted bugs that this caught: approvals counted whatever bytes they name, and the digest of a
    pinned file not compared.
    """
    whole = CONTENTS[PATH]
    assert live_book(whole).rule_file(NAME, LimitRow).version == VERSION
    chance = random.Random(11)
    for _ in range(1_000):
        place, bit = chance.randrange(len(whole)), chance.randrange(8)
        altered = bytearray(whole)
        altered[place] ^= 1 << bit

        with pytest.raises(RuleFileError):
            live_book(bytes(altered)).rule_file(NAME, LimitRow)
        with pytest.raises(RuleFileError):
            RuleBook.pinned(
                {**CONTENTS, PATH: bytes(altered)}, [(NAME, VERSION, SHA)], on=ON
            ).rule_file(NAME, LimitRow)


def test_a_byte_in_a_row_that_is_no_text_is_refused_by_file_and_row():
    """[HAZ-11] [RF1] In training the file computes unapproved: it has to say what is wrong.

    It found a decoding error that no sentence told of.
    """
    whole = CONTENTS[PATH]
    place = whole.index(b'"source"', whole.index(b'"rows"')) + 12
    broken = whole[:place] + b"\xf9" + whole[place + 1 :]

    with pytest.raises(RuleFileError, match=rf"{PATH}: row 1 cannot be read"):
        RuleBook({**CONTENTS, PATH: broken}, on=ON).rule_file(NAME, LimitRow)
