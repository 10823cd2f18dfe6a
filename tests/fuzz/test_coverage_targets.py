"""The kept inputs of the fuzzer again, and changes of them; `make fuzz` draws new ones (SEC-32)."""

import random

import msgspec
import pytest

from api.clinical_rules import device_label, rule_file
from api.documents import calendar_feed, past_case_file
from sync import operation
from tests.fuzz import coverage_targets
from tests.fuzz.coverage_targets import TARGETS, read_corpus

# Another seed each day would make a red test a matter of luck.
SEED = 20261126
CHANGES = 4_000
# A feed is read back by a library that takes a millisecond or more.
SLOW = {"calendars": 800}


def _change(drawn: random.Random, kept: list[bytes]) -> bytes:
    """Return a kept input with a few bytes changed, cut, doubled or taken from another."""
    content = bytearray(drawn.choice(kept))
    for _ in range(drawn.randint(1, 4)):
        at = drawn.randrange(len(content) + 1)
        end = min(len(content), at + drawn.randint(0, 12))
        match drawn.randrange(5):
            case 0:
                content[at:at] = bytes([drawn.randrange(256)])
            case 1:
                del content[at:end]
            case 2:
                content[at:end] = content[at:end] * 2
            case 3 if at < len(content):
                content[at] = ord(drawn.choice('0123456789"\\,;:\r\n\t+/*]-{}[]\x1d\x1e\0'))
            case _:
                other = drawn.choice(kept)
                start = drawn.randrange(len(other) + 1)
                content[at:end] = other[start : start + drawn.randint(0, 40)]
    return bytes(content)


def _play(target: str) -> None:
    kept = [content for _, content in read_corpus(target)]
    drawn = random.Random(SEED)
    for content in kept:
        TARGETS[target](content)
    for _ in range(SLOW.get(target, CHANGES)):
        TARGETS[target](_change(drawn, kept))


@pytest.mark.parametrize("target", TARGETS)
def test_what_outsiders_send_is_read_or_refused_in_our_words(target):
    """[SEC-32] [OP1] [OP2] [RF1] [DL1] It found, unplanted: a control character in a calendar
    feed, and a rule file nested 1,500 deep, which ended the loader.
    """
    _play(target)


@pytest.mark.parametrize(("seconds", "is_find"), [(0.5, False), (1.0, False), (1.001, True)])
def test_an_input_that_holds_the_processor_for_a_second_is_a_find(monkeypatch, seconds, is_find):
    """[SEC-32] Caught: five seconds by the clock were asked for, and `make test` asked for none."""
    now = iter([7.0, 7.0 + seconds])
    monkeypatch.setattr(coverage_targets, "processor_seconds", lambda: next(now))

    if is_find:
        with pytest.raises(AssertionError, match="no input hangs"):
            TARGETS["labels"](b"(01)0")
    else:
        TARGETS["labels"](b"(01)0")


def _with_thirteenth_month(scanned, *, today_on):
    answer = _READ_LABEL(scanned, today_on=today_on)
    answer["expires_on"] = answer["expires_on"] and f"{answer['expires_on'][:5]}13-01"
    return answer


def _without_last_fault(content, known, *, today_on):
    read = _READ_CASES(content, known, today_on=today_on)
    return msgspec.structs.replace(read, faults=read.faults[:-1])


def _with_any_name(name, content, row_type):
    return msgspec.structs.replace(_READ_FILE(name, content, row_type), name="sizing/other")


def _with_bare_place(event, words):
    written = _WRITE_EVENT(event, words)
    if event.slot.place:
        written["location"] = calendar_feed.icalendar.vUnknown(event.slot.place)
    return written


_READ_OPERATION = operation.read_operation
_READ_LABEL = device_label.read_device_label
_READ_CASES = past_case_file.read_past_cases
_READ_FILE = rule_file.read_rule_file
_WRITE_EVENT = calendar_feed._write_event


def _with_a_space(envelope, body, body_hash=None):
    read = _READ_OPERATION(envelope, body, body_hash)
    return msgspec.structs.replace(read, body_text=f"{read.body_text} ")


@pytest.mark.parametrize(
    ("target", "module", "name", "planted"),
    [
        ("operations", operation, "read_operation", _with_a_space),
        ("labels", device_label, "read_device_label", _with_thirteenth_month),
        ("past_cases", past_case_file, "read_past_cases", _without_last_fault),
        ("rule_files", rule_file, "read_rule_file", _with_any_name),
        ("calendars", calendar_feed, "_write_event", _with_bare_place),
    ],
)
def test_each_planted_bug_is_found(target, module, name, planted, monkeypatch):
    """[SEC-32] A body with a space added, the thirteenth month, a row that is lost, a rule file
    under another name, and a place of a calendar that is written as it came.
    """
    monkeypatch.setattr(module, name, planted)

    with pytest.raises(AssertionError):
        _play(target)
