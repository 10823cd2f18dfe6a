"""Operations as bytes, by the shared vectors."""

import hashlib

import pytest

from sync.errors import ForgedOperationError, MalformedOperationError
from sync.merge import canonical_text
from sync.operation import Body, make_operation, read_body, read_operation
from tests.unit.sync.vectors import cases

REFUSALS = {"malformed": MalformedOperationError, "forged": ForgedOperationError}


def test_sha256_is_that_of_the_standard():
    # FIPS 180-4 example: SHA-256 of "abc".
    digest = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"

    assert hashlib.sha256(b"abc").hexdigest() == digest


@pytest.mark.parametrize("case", cases("operation/make_operation.json"))
def test_a_new_operation_has_the_bytes_of_the_vector(case):
    given = dict(case["given"])
    body = dict(given.pop("body"))
    body["over"] = {field: tuple(seen) for field, seen in body.get("over", {}).items()}
    body["retract"] = tuple(body.get("retract", ()))

    operation = make_operation(**given, body=Body(**body))

    assert operation.body_text == case["expect"]["body"]
    assert operation.envelope_text == case["expect"]["envelope"]
    assert operation.hash == case["expect"]["hash"]
    assert operation.reference == case["expect"]["reference"]


def _body_text(body):
    if isinstance(body, dict):
        return body["before"] + body["repeat"] * body["times"] + body["after"]
    return body


@pytest.mark.parametrize("case", cases("operation/read_operation.json"))
def test_two_texts_are_an_operation_or_refused(case):
    envelope, body_text = case["given"]["envelope"], _body_text(case["given"]["body"])
    expect = case["expect"]

    if "refusal" in expect:
        with pytest.raises(REFUSALS[expect["refusal"]]) as refused:
            read_operation(envelope, body_text)
        assert type(refused.value) is REFUSALS[expect["refusal"]]
        assert str(refused.value).endswith(".")
        return

    operation = read_operation(envelope, body_text)

    assert (operation.op_id, operation.hash) == (expect["op_id"], expect["hash"])
    assert operation.envelope_text == envelope
    assert operation.body_text == body_text
    if "set" in expect:
        assert read_body(body_text).set == expect["set"]


@pytest.mark.parametrize("case", cases("operation/canonical_text.json"))
def test_a_content_has_one_canonical_text(case):
    assert canonical_text(case["given"]) == case["expect"]
