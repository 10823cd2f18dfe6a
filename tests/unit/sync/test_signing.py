"""What is signed: the vectors that the TypeScript twin answers to as well."""

import base64

import pytest
from cryptography.hazmat.primitives.asymmetric import ec

from api.storage.p256 import (
    UnreadableKeyError,
    is_signed,
    name_key,
    read_base64,
    read_public_key,
    sign,
    write_public_key,
)
from sync.errors import MalformedOperationError
from sync.operation import Operation
from sync.operation_log import Tip
from sync.signing import find_head, trace_signed, write_head_text, write_segment_text
from tests.unit.sync.vectors import cases

# RFC 6979, appendix A.2.5: a published key, which nobody may use for anything else.
RFC_6979_SECRET = 0xC9AFA9D845BA75166B5C215767B1D6934E50C3DB36E89B127B8A622B120F6721


@pytest.mark.parametrize("case", cases("signing/write_head_text.json"))
def test_the_text_of_a_head(case):
    """The planted bug it has caught: `match` for `fullmatch`, which lets a line end through."""
    given = case["given"]
    parts = given["device"], given["epoch"], given["counter"], given["hash"]
    if case["expect"] is None:
        with pytest.raises(MalformedOperationError, match="no head of a log"):
            write_head_text(*parts)
        return
    assert write_head_text(*parts) == case["expect"]


@pytest.mark.parametrize("case", cases("signing/write_segment_text.json"))
def test_the_text_of_a_segment(case):
    """The planted bug it has caught: where the segment before ends left out of the text."""
    if case["expect"] is None:
        with pytest.raises(MalformedOperationError, match="no segment"):
            write_segment_text(**case["given"])
        return
    assert write_segment_text(**case["given"]) == case["expect"]


def _operation(part):
    return Operation(
        op_id=f"{part['device']}.{part['epoch']}.{part['counter']}",
        stream="care",
        record="puncture/p-1",
        stamp="",
        commitment="",
        body_text=None,
        **part,
    )


@pytest.mark.parametrize("case", cases("signing/trace_signed.json"))
def test_what_a_head_vouches_for(case):
    """[SG11] The planted bug it has caught: a chain with a gap below it was let in."""
    given = case["given"]
    waiting = {(one["counter"], one["hash"]): _operation(one) for one in given["operations"]}

    found = trace_signed(
        Tip(**given["tip"]), Tip(**given["head"]), lambda *place: waiting.get(place)
    )

    assert [one.hash for one in found] == case["expect"]


@pytest.mark.parametrize("case", cases("signing/find_head.json"))
def test_the_head_that_covers_a_batch(case):
    """The planted bug it has caught: counters compared and hashes not."""
    head = find_head([_operation(part) for part in case["given"]])

    expected = case["expect"]
    assert (head and {"epoch": head.epoch, "counter": head.counter, "hash": head.hash}) == expected


@pytest.mark.parametrize("case", cases("signing/is_signed.json"))
def test_a_signature_is_told_from_another(case):
    given = case["given"]
    key, signature = (base64.b64decode(given[name]) for name in ("key", "signature"))

    assert is_signed(key, given["text"].encode(), signature) is case["expect"]


def test_signing_gives_the_published_signatures_of_rfc_6979():
    """[SG2] Oracle: RFC 6979, appendix A.2.5, messages "sample" and "test" with SHA-256."""
    key = ec.derive_private_key(RFC_6979_SECRET, ec.SECP256R1())

    published = [case.values[0] for case in cases("signing/is_signed.json")[:2]]
    assert [case["given"]["text"] for case in published] == ["sample", "test"]
    for case in published:
        signature = base64.b64encode(sign(key, case["given"]["text"].encode())).decode()
        assert signature == case["given"]["signature"]


@pytest.mark.parametrize(
    "spoil",
    [
        lambda der: der[:-1],
        lambda der: der + b"\0",
        lambda der: der[:26] + b"\2" + der[27:59],
        lambda der: der[:-1] + bytes([der[-1] ^ 1]),
        lambda _: b"",
    ],
)
def test_what_is_no_key_on_the_curve_is_refused(spoil):
    """[SG2]."""
    der = write_public_key(ec.derive_private_key(RFC_6979_SECRET, ec.SECP256R1()).public_key())
    read_public_key(der)

    with pytest.raises(UnreadableKeyError):
        read_public_key(spoil(der))


def test_a_key_on_another_curve_is_refused():
    """[SG2]."""
    other = write_public_key(ec.generate_private_key(ec.SECP384R1()).public_key())

    with pytest.raises(UnreadableKeyError):
        read_public_key(other)
    assert not is_signed(other, b"x", bytes(64))


@pytest.mark.parametrize("text", ["QQ", "QQ=", "QR==", " QQ==", "QQ==\n", "Q-==", "Q"])
def test_base64_has_one_spelling(text):
    """[SG2]."""
    assert read_base64("QQ==") == b"A"
    assert read_base64(text) is None


def test_the_id_of_a_key_is_its_sha_256():
    """[SG2] Oracle: FIPS 180-4, example "abc"."""
    assert name_key(b"abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
