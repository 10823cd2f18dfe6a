"""Device labels of both engines against biip 5.2.0, which reads GS1 element strings, not HIBC.

biip takes what it can: it cuts a lot that is too long and reads on, takes the first of two lots,
and gives up the whole message at the first field that it cannot read. We leave out what is in
doubt, say so, and keep the rest. Each such difference has a rule, and no other is let pass.
"""

import datetime
import json
import string
from collections import Counter
from dataclasses import dataclass, field
from functools import cache
from types import SimpleNamespace

import biip.gs1_element_strings
from biip import ParseError
from biip.gs1_application_identifiers import _GS1_APPLICATION_IDENTIFIERS
from biip.gs1_element_strings import GS1ElementString
from biip.symbology import GS1Symbology

from tests.oracles.device_labels import FNC1, SPOILINGS, Label, make_label
from tests.unit.api.twin_engine import (
    answer_here,
    answer_there,
    assert_engines_agree,
    packaged_rule_book,
    write_answer,
)

LABELS = 5000
RULE_BOOK = packaged_rule_book()
# The rules by which we are stricter than biip, each a sentence of RULES.md at work.
IMPOSSIBLE_MAKING = "DL10 a making date after today or after the expiry date is a problem"
FIRST_DIGIT = "DL9 a code begins with a digit: nothing before it is cut off"
REST_KEPT = "DL1 one wrong field is null and the rest is kept: biip gives up the message"
CUT_LOT = "DL6 a lot ends with FNC1 or the code: biip cuts it and reads on"
CUT_OTHER = "DL5 a field not read here ends with FNC1 too: biip ends it by its pattern"
LOST = "DL11 a text that may hold a field, its FNC1 lost, is null: biip takes it whole"
TWICE = "DL6 what stands twice stands alike: biip takes the first"
TWICE_UNREAD = "DL1 what is wrong or different the second time is null: biip stopped before it"
TWO_SEPARATORS = "DL1 two FNC1 have no field between them: biip takes them for one"
BLANKS = "DL6 a blank is no character of the 82: biip cuts it off at the end"
ASCII_DIGITS = "DL1 digits are those of ASCII: biip takes those of every script"
RULES = {
    *[
        IMPOSSIBLE_MAKING,
        FIRST_DIGIT,
        REST_KEPT,
        CUT_LOT,
        CUT_OTHER,
        LOST,
        TWICE,
        TWICE_UNREAD,
        TWO_SEPARATORS,
    ],
    *[BLANKS, ASCII_DIGITS],
}
LENGTHS = {"01": 16, "11": 8, "17": 8}
_LOST = "the code has no separator"
# What a problem of ours calls the field.
WORDS = {
    "01": "device identifier",
    "10": "The lot",
    "11": "date of making",
    "17": "expiry date",
    "21": "serial number",
}
FIELDS = {"01": "gtin", "10": "lot", "11": "made_on", "17": "expires_on", "21": "serial"}


@dataclass
class Reading:
    """What biip makes of a label: elements up to where it gives up, and where it mended."""

    elements: list[GS1ElementString] = field(default_factory=list)
    # The first element after which biip read on although neither FNC1 nor the end stood there.
    mended_at: int | None = None
    # The text that biip could not read; None when it read everything.
    stopped_at: str | None = None

    def first(self, number: str) -> str | None:
        """Return the content of the first element with this number, as our answer writes it."""
        return next((_content(one) for one in self.elements if one.ai.ai == number), None)


def _content(element: GS1ElementString) -> str | None:
    if element.ai.ai == "01":
        return element.gtin.value if element.gtin else None
    return element.date.isoformat() if element.date else element.value


def _set_clock(monkeypatch, year: int) -> None:
    """Let biip see a year of ours: it decides the century of short years by the clock."""

    class Clock(datetime.datetime):
        @classmethod
        def now(cls, tz=None):
            return cls(year, 6, 15, tzinfo=tz)

    frozen = SimpleNamespace(date=datetime.date, datetime=Clock, UTC=datetime.UTC)
    monkeypatch.setattr(biip.gs1_element_strings, "dt", frozen)


def _message_of(scanned: str) -> str | None:
    """Return what follows a prefix of GS1; None for a prefix of another symbology."""
    if not scanned.startswith("]"):
        return scanned
    # `SymbologyIdentifier.extract` does not know its own ]J1; the list of symbologies does.
    known = {one.value for one in GS1Symbology.with_gs1_messages()}
    return scanned[3:] if scanned[1:3] in known else None


def _read(message: str) -> Reading:
    """Read as `GS1Message.parse` does, and keep what it had read when it gave up."""
    reading = Reading()
    rest = message.strip()
    while rest:
        try:
            element = GS1ElementString.extract(rest)
        except ParseError:
            reading.stopped_at = rest
            return reading
        reading.elements.append(element)
        rest = rest[len(element) :]
        is_mended = element.ai.separator_required and rest and not rest.startswith(FNC1)
        if is_mended and reading.mended_at is None:
            reading.mended_at = len(reading.elements) - 1
        rest = rest.lstrip(FNC1)
    return reading


def _is_confirmed(number: str, content: str, message: str) -> bool:
    """Say whether biip reads this content from an element of the label taken by itself."""
    for place in range(len(message)):
        if message.startswith(number, place):
            text = message[place:].split(FNC1)[0][: LENGTHS.get(number)]
            try:
                element = GS1ElementString.parse(text)
            except ParseError:
                continue
            if element.ai.ai == number and _content(element) == content:
                return True
    return False


def _name_difference(number: str, reading: Reading, message: str, ours: dict) -> str | None:
    """Return the rule by which a field of ours may differ from biip's, None when there is none."""
    mine, theirs = ours[FIELDS[number]], reading.first(number)
    if mine is not None and not _is_confirmed(number, mine, message):
        return None
    if mine is None and not ours["problems"]:
        return None
    places = [place for place, one in enumerate(reading.elements) if one.ai.ai == number]
    if reading.mended_at is not None and (not places or places[0] >= reading.mended_at):
        is_text = reading.elements[reading.mended_at].ai.ai in ("10", "21")
        return CUT_LOT if is_text else CUT_OTHER
    if theirs is None:
        return REST_KEPT if reading.stopped_at is not None else None
    if mine is not None:
        return None
    words = (WORDS[number], f"Field {number} is too short")
    is_named = any(word in problem for problem in ours["problems"] for word in words)
    if any(WORDS[number] in one and _LOST in one for one in ours["problems"]):
        # Another known number does stand within what biip took, and nothing parts them.
        within = any(other in theirs[1:] for other in ("10", "11", "17", "21") if other != number)
        return LOST if FNC1 not in message and within and message.endswith(theirs) else None
    if len({_content(reading.elements[place]) for place in places}) > 1 and is_named:
        return TWICE
    if number in (reading.stopped_at or "") and is_named:
        return TWICE_UNREAD
    if FNC1 * 2 in message and any("no field begins" in one for one in ours["problems"]):
        return TWO_SEPARATORS
    if message.endswith((" ", "\t")) and number in ("10", "21"):
        return BLANKS
    if not message.isascii():
        return ASCII_DIGITS
    return None


def _set_apart_impossible_making(label: Label, ours: dict) -> list[str]:
    """Take the remark on a making date out of our problems, once it is shown to be right."""
    told = [problem for problem in ours["problems"] if problem.startswith("The making date")]
    last_on = min(label.today_on, ours["expires_on"] or label.today_on)
    assert bool(told) == (ours["made_on"] is not None and ours["made_on"] > last_on), label
    ours["problems"] = [problem for problem in ours["problems"] if problem not in told]
    return [IMPOSSIBLE_MAKING] if told else []


def _compare(label: Label, answer: dict) -> list[str]:
    """Return the rules of all differences; fails on one without a rule."""
    message = _message_of(label.scanned)
    reading = None if message is None else _read(message)
    if "refused" in answer:
        if reading is None or not reading.elements:
            return []
        assert not message[0].isdigit() or not message[0].isascii(), label
        return [FIRST_DIGIT]
    assert reading is not None, label
    ours = dict(answer["answer"])
    rules = _set_apart_impossible_making(label, ours)
    if not ours["problems"]:
        assert reading.stopped_at is None, label
        assert all(ours[name] == reading.first(number) for number, name in FIELDS.items()), label
    if label.spoiled_by in ("nothing", "a needless separator"):
        told = [one for one in ours["problems"] if _LOST not in one]
        assert bool(told) == (reading.stopped_at is not None), label
    for number, name in FIELDS.items():
        if ours[name] != reading.first(number):
            rule = _name_difference(number, reading, message, ours)
            assert rule is not None, (label, name, ours, reading)
            rules.append(rule)
    return rules


@cache
def _labels():
    return [make_label(seed) for seed in range(LABELS)]


def _request(label: Label) -> dict[str, str]:
    return {"scanned": label.scanned, "today_on": label.today_on}


@cache
def _answers():
    return [answer_here("device-label", _request(label), RULE_BOOK) for label in _labels()]


def test_both_engines_answer_every_label_alike():
    """[DL1] Byte for byte, so that what holds against biip holds for both."""
    assert_engines_agree("device-label", [_request(label) for label in _labels()])


def test_a_label_is_read_as_biip_reads_it_or_stricter_by_a_named_rule(monkeypatch):
    """[DL1] [DL2] [DL3] [DL4] [DL5] [DL6] [DL9] [DL10] [DL11] Of 5,000 labels.

    Fifteen of sixteen are spoiled.
    What biip reads and we do not is always told in `problems`; without a problem both agree on
    every field; a field that only we read is one that biip reads too once it stands alone; and
    a label that nothing spoiled has no problem, unless a date of it is none to biip either, or its
    last field may hold another.
    Planted bugs that this caught: day 00 as the first of the month; years 51 ahead, and 50 back;
    the first of two lots taken; a lot of 21 characters taken; FNC1 not looked for after a lot.
    """
    rules = Counter()
    for label, answer in zip(_labels(), _answers(), strict=True):
        _set_clock(monkeypatch, int(label.today_on[:4]))
        rules.update(_compare(label, answer))

    assert set(rules) == RULES, "a rule that no label needs is no rule"


def test_every_field_of_the_standard_ends_where_biip_ends_it():
    """[DL5] [DL6] All field numbers that biip knows, more than 500, before a lot.

    After one of a predefined length the lot follows at once; after any other only FNC1 ends it,
    and without FNC1 the lot is not made out of the middle of it.
    Planted bug that this caught: 03 left out of the predefined lengths.
    """
    requests, ends_itself = [], []
    for known in _GS1_APPLICATION_IDENTIFIERS.values():
        if known.ai in FIELDS:
            continue
        is_fixed = not known.separator_required
        length = int(known.format.split("+N")[1]) if is_fixed else 3
        for separator in ("", FNC1):
            scanned = f"{known.ai}{'7' * length}{separator}10LOT"
            requests.append({"scanned": scanned, "today_on": "2026-06-15"})
            ends_itself.append(is_fixed or separator == FNC1)
    there = answer_there("device-label", requests)

    assert len(requests) > 1000
    for request, wanted, text in zip(requests, ends_itself, there, strict=True):
        here = answer_here("device-label", request, RULE_BOOK)
        assert write_answer(here) == text
        assert here["answer"]["lot"] == ("LOT" if wanted else None), request
        assert any("is not read here" in problem for problem in here["answer"]["problems"])


def test_the_prefixes_of_gs1_are_those_that_biip_lists():
    """[DL9] Two characters after `]`, every letter with every digit.

    Planted bug that this caught: ]J1 left out by the twin.
    """
    message = "010952123454321310LOT"
    known = {one.value for one in GS1Symbology.with_gs1_messages()}
    pairs = [f"{letter}{digit}" for letter in string.ascii_letters for digit in range(10)]
    requests = [{"scanned": f"]{pair}{message}", "today_on": "2026-06-15"} for pair in pairs]
    there = answer_there("device-label", requests)

    for pair, request, text in zip(pairs, requests, there, strict=True):
        for answer in (answer_here("device-label", request, RULE_BOOK), json.loads(text)):
            assert ("refused" in answer) == (pair not in known), pair


def test_each_way_of_spoiling_a_label_is_there_and_some_are_always_told():
    """Without this the labels could be harmless."""
    spoiled = Counter(label.spoiled_by for label in _labels())
    told = Counter()
    for label, answer in zip(_labels(), _answers(), strict=True):
        told[label.spoiled_by] += "refused" in answer or bool(answer["answer"]["problems"])

    assert set(spoiled) == set(SPOILINGS)
    assert min(spoiled.values()) >= LABELS // len(SPOILINGS)
    for name in ("a wrong check digit", "a date that is none", "a lot too long or empty"):
        assert told[name] == spoiled[name], name
