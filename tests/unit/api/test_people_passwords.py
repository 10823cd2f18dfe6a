"""Passwords and second factors: what is refused, how each is kept, and the vectors of the RFCs."""

import base64

import pytest
from cryptography.hazmat.primitives.asymmetric import ec

from api.storage.server_key import ServerKey
from api.use_cases.people_passwords import hash_password, is_password, refuse_weak_password
from api.use_cases.people_second_factor import (
    find_step,
    open_secret,
    seal_secret,
    write_address,
    write_secret,
)

# RFC 6238, appendix B, SHA-1: the last six of the eight digits listed, each with its moment.
RFC_SECRET = b"12345678901234567890"
RFC_CODES = [
    (59, "287082"),
    (1_111_111_109, "081804"),
    (1_111_111_111, "050471"),
    (1_234_567_890, "005924"),
    (2_000_000_000, "279037"),
    (20_000_000_000, "353130"),
]
GOOD = "teal lantern over wet slate"


@pytest.mark.parametrize("length", [11, 12, 13])
def test_a_password_has_twelve_characters(length):
    """[ASVS 6.2.1]"""
    password = "kestrel mud vow"[:length]

    assert (refuse_weak_password(password, ()) is None) == (length >= 12)


@pytest.mark.parametrize("length", [127, 128, 129])
def test_a_long_password_is_taken_whole(length):
    """[ASVS 6.2.9] 128 characters are taken, and no character is cut off before the hash."""
    password = (GOOD * 5)[:length]

    assert (refuse_weak_password(password, ()) is None) == (length <= 128)
    assert not is_password(password[:-1], hash_password(password, "00" * 16))


@pytest.mark.parametrize(
    "password",
    [
        "Password1234!",
        "P4ssw0rd!2026",
        "123456789012",
        "qwertyuiop12",
        "abcabcabcabc",
        "zzzzzzzzzzzzzz",
        "Welcome2026!!",
        "correct horse battery staple",
        "Endoscopy2026#",
        "ida.norrwood1",
        "IDA NORRWOOD 2026",
        "crura crura crura",
    ],
)
def test_what_is_guessed_first_is_refused(password):
    """[ASVS 6.2.4] Common words, rows of keys, repeats, and the person's own names.

    Planted bug: without `casefold` in `refuse_weak_password`, "Welcome2026!!" was taken.
    """
    why = refuse_weak_password(password, ("ida.norrwood", "Ida Norrwood"))

    assert why is not None
    assert "first that are guessed" in why


@pytest.mark.parametrize(
    "password", [GOOD, "8f3k2l9d7s6a", "Xq7$kk!29vZp", "zwölf Öltanker fahren"]
)
def test_no_rule_of_composition_stands_in_the_way(password):
    """[ASVS 6.2.5] Words, digits and signs alike; blanks and any letter of any script."""
    assert refuse_weak_password(password, ("ida.norrwood", "Ida Norrwood")) is None


def test_a_password_is_kept_as_argon2id_with_its_parameters():
    kept = hash_password(GOOD, "0f" * 16)

    assert kept.startswith("$argon2id$v=19$m=65536,t=3,p=1$")
    assert GOOD not in kept
    assert is_password(GOOD, kept)
    assert not is_password(GOOD + " ", kept)
    assert hash_password(GOOD, "1f" * 16) != kept


def test_a_letter_typed_in_two_ways_is_one_password():
    kept = hash_password("zw\u00f6lf \u00d6ltanker", "00" * 16)

    assert is_password("zwo\u0308lf O\u0308ltanker", kept)


def test_nobodys_password_is_never_right():
    assert not is_password(GOOD, None)
    assert not is_password("no account has this one", None)


@pytest.mark.parametrize(("at", "code"), RFC_CODES)
def test_codes_are_those_of_rfc_6238(at, code):
    assert find_step(RFC_SECRET, code, now_ms=at * 1_000) == at // 30
    assert find_step(RFC_SECRET, f" {code[:3]} {code[3:]} ", now_ms=at * 1_000) == at // 30


@pytest.mark.parametrize(
    ("off", "is_taken"), [(-2, False), (-1, True), (0, True), (1, True), (2, False)]
)
def test_one_step_beside_is_taken_and_no_more(off, is_taken):
    """[ASVS 6.5.5] A code lives 30 s, and one step for the way.

    Planted bug: with two steps beside, the code of a minute ago was taken.
    """
    at = 1_111_111_111
    found = find_step(RFC_SECRET, "050471", now_ms=(at + off * 30) * 1_000)

    assert found == (at // 30 if is_taken else None)


@pytest.mark.parametrize("code", ["", "05047", "0504711", "05o471", "٠٥٠٤٧١", "-50471", "050472"])
def test_what_is_no_code_is_refused(code):
    assert find_step(RFC_SECRET, code, now_ms=1_111_111_111_000) is None


def test_a_secret_is_sealed_for_its_person_by_its_server():
    """Another person's seal, another server's key or a changed bit opens nothing."""
    key, other = (ServerKey(ec.generate_private_key(ec.SECP256R1())) for _ in range(2))
    sealed = seal_secret(key, "staff/a", RFC_SECRET, "0a" * 16)

    assert RFC_SECRET not in sealed
    assert open_secret(key, "staff/a", sealed) == RFC_SECRET
    assert open_secret(key, "staff/b", sealed) is None
    assert open_secret(other, "staff/a", sealed) is None
    for place in (0, 12, len(sealed) - 1):
        changed = bytearray(sealed)
        changed[place] ^= 1
        assert open_secret(key, "staff/a", bytes(changed)) is None
    assert open_secret(key, "staff/a", b"") is None


def test_a_secret_is_told_as_apps_read_it():
    address = write_address(RFC_SECRET, "ida.norrwood")

    assert address.startswith("otpauth://totp/Crura:ida.norrwood?")
    assert "secret=GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ" in address
    typed = write_secret(RFC_SECRET)
    assert typed == "GEZD GNBV GY3T QOJQ GEZD GNBV GY3T QOJQ"
    assert base64.b32decode(typed.replace(" ", "")) == RFC_SECRET
