"""No secret lies in the repository, and each file that holds one is its owner's alone."""

import re

import pytest

from api.storage.server_key import load_server_key
from tests.supply_chain.locks import ROOT

FOLDERS = ("api", "sync", "pwa/src", "tests", "seed_scenarios", ".github", ".ci")
# What secrets look like, by the formats that others have published.
SHAPES = {
    "a private key (PEM, RFC 7468)": rb"-----BEGIN [A-Z ]*PRIVATE KEY-----\s+[A-Za-z0-9+/]{40}",
    "an age identity": rb"AGE-SECRET-KEY-1[QPZRY9X8GF2TVDW0S3JN54KHCE6MUA7L]{58}",
    "a cloud access key": rb"\bAKIA[0-9A-Z]{16}\b",
    "a token of a code host": rb"\b(?:ghp|gho|github_pat|glpat)[_-][A-Za-z0-9_]{20,}\b",
    "a token of a chat": rb"\bxox[abprs]-[A-Za-z0-9-]{10,}",
    "a password in an address": rb"[a-z]+://[^\s:/@'\"]+:[^\s:/@'\"{<]{6,}@[a-z0-9.]+",
}
SPOILED = {
    "a private key (PEM, RFC 7468)": b"-----BEGIN PRIVATE" + b" KEY-----\n" + b"A" * 60,
    "an age identity": b"AGE-SECRET-" + b"KEY-1" + b"Q" * 58,
    "a cloud access key": b" AKIA" + b"0" * 16 + b" ",
    "a token of a code host": b" ghp" + b"_" + b"a" * 36 + b" ",
    "a token of a chat": b"xox" + b"b-" + b"1" * 12,
    "a password in an address": b"postgresql://app" + b":hunter22@db.example",
}


def _files():
    for folder in FOLDERS:
        for path in sorted((ROOT / folder).rglob("*")):
            is_built = "api/static" in path.as_posix() or "__pycache__" in path.parts
            if path.is_file() and not is_built:
                yield path
    yield from (path for path in ROOT.iterdir() if path.is_file())


@pytest.mark.parametrize("shape", SHAPES)
def test_no_file_holds_what_looks_like_a_secret(shape):
    """[SEC-33] The search finds one that is made for it, so it can fail."""
    assert re.search(SHAPES[shape], SPOILED[shape])

    found = [path for path in _files() if re.search(SHAPES[shape], path.read_bytes())]

    assert found == []


def test_the_server_key_is_its_owners_alone_also_after_a_copy(tmp_path):
    """[SEC-33]"""
    load_server_key(tmp_path)
    [key] = tmp_path.iterdir()
    assert key.stat().st_mode & 0o777 == 0o600

    key.chmod(0o644)
    load_server_key(tmp_path)

    assert key.stat().st_mode & 0o777 == 0o600
