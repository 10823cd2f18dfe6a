"""Bodies written again, by the shared vectors, and what the pointer may weigh."""

import pytest

from sync.errors import MalformedOperationError
from sync.operation import MAX_BODY_BYTES, read_body
from sync.reissue import write_again
from tests.unit.sync.vectors import cases

REFERENCE = "tablet-a.ep01.7#0123456789abcdef"


@pytest.mark.parametrize("case", cases("operation/write_again.json"))
def test_a_body_is_written_again_as_the_vector_says(case):
    assert write_again(case["given"]["body"], case["given"]["reference"]) == case["expect"]


def _body(length):
    head = (
        '{"salt":"' + "0" * 32 + '","by":"staff/a","tapped_by":"staff/a","catalogue":1,"set":{"f":"'
    )
    return head + "x" * (length - len(head) - 3) + '"}}'


@pytest.mark.parametrize("over", [-1, 0, 1])
def test_the_pointer_does_not_count_towards_the_length_of_a_body(over):
    """[OP8] [OP7]: one byte below, at and above the bound.

    The planted bug it has caught: the longest bodies could not be written again.
    """
    body = _body(MAX_BODY_BYTES + over)
    assert len(body) == MAX_BODY_BYTES + over
    again = f'{body[:-1]},"again":"{REFERENCE}"}}'

    if over > 0:
        for text in (body, again):
            with pytest.raises(MalformedOperationError, match="65536 bytes"):
                read_body(text)
        return
    assert write_again(body, REFERENCE) == again
    assert read_body(again).again == REFERENCE


@pytest.mark.parametrize("again", ["tablet-a.ep01.7", "x" * 80, "tablet-a.ep01.0#0123456789abcdef"])
def test_a_pointer_that_is_no_reference_is_refused(again):
    """[OP8]."""
    with pytest.raises(MalformedOperationError, match="reference"):
        read_body(f'{_body(300)[:-1]},"again":"{again}"}}')
