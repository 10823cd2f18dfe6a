"""What a device signs of a request: the shared vectors, and headers read strictly (RQ1)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sync.errors import MalformedOperationError
from sync.request_signing import (
    RequestProof,
    read_parameters,
    read_signature,
    write_content_digest,
    write_fingerprint,
    write_parameters,
    write_request_base,
    write_revocation_text,
    write_signature,
    write_signature_base,
)
from tests.unit.sync.vectors import cases

FOLDER = "signing"


def _check(write, expected):
    if expected is None:
        with pytest.raises(MalformedOperationError):
            write()
    else:
        assert write() == expected


@pytest.mark.parametrize("case", cases(f"{FOLDER}/write_signature_base.json"))
def test_the_signed_text_of_named_parts(case):
    asked = case["given"]
    _check(lambda: write_signature_base(asked["components"], asked["parameters"]), case["expect"])


@pytest.mark.parametrize("case", cases(f"{FOLDER}/write_request_base.json"))
def test_the_signed_text_of_a_request(case):
    asked = case["given"]
    proof = RequestProof(**asked["proof"])
    _check(lambda: write_request_base(proof, **asked["request"]), case["expect"])


@pytest.mark.parametrize("case", cases(f"{FOLDER}/write_fingerprint.json"))
def test_six_digits_of_a_key(case):
    _check(lambda: write_fingerprint(case["given"]["key_id"]), case["expect"])


@pytest.mark.parametrize("case", cases(f"{FOLDER}/write_revocation_text.json"))
def test_the_text_of_a_revocation(case):
    asked = case["given"]
    _check(
        lambda: write_revocation_text(
            asked["device"], asked["revoked_ms"], is_lost=asked["is_lost"]
        ),
        case["expect"],
    )


GOOD = write_parameters(RequestProof("tablet-a", "n-1"))


@pytest.mark.parametrize(
    "header",
    [
        "",
        "crura",
        GOOD,
        f"other={GOOD}",
        f"crura={GOOD} ",
        f"crura={GOOD};created=1",
        f"crura={GOOD}, other={GOOD}",
        "crura=" + GOOD.replace(' "@query"', ""),
        "crura=" + GOOD.replace('"@method" "@path"', '"@path" "@method"'),
        "crura=" + GOOD.replace(";nonce", "; nonce"),
        "crura=" + GOOD.replace("ecdsa-p256-sha256", "hmac-sha256"),
        "crura=" + GOOD.replace("tablet-a", "Tablet A"),
        "crura=" + GOOD.replace("n-1", ""),
    ],
)
def test_signature_parameters_of_any_other_shape_are_none(header):
    """[RQ1] The planted bug it has caught: what covers no query taken for what does."""
    assert read_parameters(header) is None


DEVICES = st.from_regex(r"[a-z0-9-]{1,32}", fullmatch=True)


@given(DEVICES, st.text("aZ0_-", min_size=1, max_size=128))
def test_written_parameters_are_read_back(device, nonce):
    """[RQ1]."""
    proof = RequestProof(device, nonce)

    assert read_parameters(f"crura={write_parameters(proof)}") == proof


@given(st.binary(max_size=80))
def test_a_signature_header_has_one_text(content):
    """[RQ1]."""
    header = write_signature(content)

    assert read_signature(header) == content
    assert read_signature(header + " ") is None
    assert read_signature(header[:-1]) is None


def test_a_signature_header_of_another_spelling_is_none():
    """[RQ1] The planted bug it has caught: the last bits of base64 left unread."""
    assert read_signature("crura=:AA==:") == b"\x00"
    assert read_signature("crura=:AB==:") is None
    assert read_signature("crura=:AA:") is None
    assert read_signature("crura=:A A==:") is None


def test_the_digest_of_no_bytes():
    """[RQ2] RFC 9530, appendix A: SHA-256 as a structured byte sequence."""
    empty = bytes.fromhex("e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855")

    assert write_content_digest(empty) == "sha-256=:47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=:"
