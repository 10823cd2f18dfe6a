"""What only the unit server may say is found however the body spells it."""

import pytest

from api.use_cases.server_log import SERVER_DEVICE
from api.use_cases.server_words import refuse_server_words
from sync.operation import make_operation_of

_REFERENCE = f"{SERVER_DEVICE}.ep01.1#0123456789abcdef"


def _operation(record, content):
    text = f'{{"salt":"{"0" * 32}","by":"staff/a","tapped_by":"staff/a","catalogue":2,{content}}}'
    return make_operation_of(
        device="tablet-a",
        epoch="ep01",
        counter=1,
        previous="",
        stream="care",
        record=record,
        stamp="000000000001000.00000.tablet-a",
        body_text=text,
    )


@pytest.mark.parametrize(
    ("record", "content"),
    [
        ("puncture/p-1", f'"retract":["{_REFERENCE}"]'),
        ("puncture/p-1", f'"\\u0072etract":["{_REFERENCE}"]'),
        ("site/s-1", '"set":{"live_from":"2026-01-01"}'),
        ("rule_file_release/r-1", '"set":{"content":"x"}'),
    ],
    ids=["plain", "spelled with an escape", "live", "a rule file"],
)
def test_a_device_does_not_speak_for_the_unit_server(record, content):
    """[RL12] Planted and caught: bodies with a backslash passed unread."""
    assert "speaks for the unit server" in (
        refuse_server_words(_operation(record, content)) or "taken in"
    )


@pytest.mark.parametrize(
    ("record", "content"),
    [
        ("puncture/p-1", '"set":{"stop_um":21000}'),
        ("puncture/p-1", '"retract":["tablet-b.ep01.1#0123456789abcdef"]'),
        ("site/s-1", '"set":{"name":"Thornmere \\"East\\""}'),
    ],
)
def test_everything_else_is_taken_in(record, content):
    assert refuse_server_words(_operation(record, content)) is None
