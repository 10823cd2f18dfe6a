"""Reasons of proposed bookings: each code has a sentence here and one in the app.

Every code has a sentence in the app, and every value of it is said.
"""

import re
from pathlib import Path
from typing import get_args

import pytest

from api.booking.booking_reasons import BookingReason, ReasonCode
from api.booking.reason_words import say_reasons

APP = Path(__file__).parents[3] / "pwa/src/text/booking-reasons.ts"
CODES = get_args(ReasonCode)
# What comes with each code, as `booking_reasons.py` writes it.
NEEDED = {"needs": "scope", "where": "own", "from_on": "2026-04-01", "until_on": "2027-04-30"}
FOUND = {"target_on": "2026-04-14", "on": "2026-04-16", "needs": "scope", "place": "Room 9"}
VALUES: dict[str, dict[str, str | int]] = {
    "session-closed": {"on": "2026-04-16", "why": "staff-away"},
    "session-unfit": {"on": "2026-04-16", "needs": "ultrasound-scope"},
    "on-target": FOUND,
    "nearest": FOUND,
    "after-window": {"days": 9},
    "before-window": {"days": 1},
    "all-full": NEEDED,
    "none-in-window": NEEDED,
    "none-at-all": NEEDED,
    "two-answers": {"field": "owner_role"},
    "no-window": {},
    "no-patient": {},
    "not-to-contact": {},
}
WORDS = {
    "scope": "scope",
    "ultrasound-scope": "ultrasound scope",
    "own": "can be seen",
    "staff-away": "staff away",
    "owner_role": "owner",
    "Room 9": "Room 9",
    "2026-04-01": "1 April",
    "2026-04-14": "14 April",
    "2026-04-16": "16 April",
    "2027-04-30": "30 April 2027",
    9: "9 days",
    1: "1 day ",
}


def test_the_app_has_words_for_each_code_and_for_no_other():
    """[FU-14] A desk of another language is told the same."""
    table = APP.read_text(encoding="utf-8").split("REASONS", 1)[1].split("};", 1)[0]
    assert sorted(re.findall(r"^  '?([a-z-]+)'?: \(", table, re.MULTILINE)) == sorted(CODES)


@pytest.mark.parametrize("code", CODES)
def test_each_value_of_a_reason_is_said(code):
    values = VALUES.get(code, {"on": "2026-04-16"})
    said = say_reasons((BookingReason(code, values),), year="2026")

    assert re.fullmatch(r"[A-Z].*\.", said), said
    assert not re.search(r"[{}_]|  ", said), said
    for name, value in values.items():
        if code == "on-target" and name == "on":
            continue
        assert WORDS[value] in said, (name, said)


def test_what_is_not_said_is_left_out_without_a_gap():
    reasons = (
        BookingReason("moved", {"on": "2026-04-13"}),
        BookingReason("nearest", {**FOUND, "needs": "any", "place": ""}),
    )
    assert say_reasons(reasons, year="2026") == (
        "Moved from 13 April, which serves all visits better. "
        "Target 14 April, nearest free session 16 April."
    )
