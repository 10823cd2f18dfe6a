"""Passwords of people at the server: what is refused, how one is kept, and how it is checked."""

import functools
import re
import threading
import unicodedata
from collections.abc import Iterable
from importlib import resources

from cryptography.exceptions import InvalidKey
from cryptography.hazmat.primitives.kdf.argon2 import Argon2id

SHORTEST = 12
LONGEST = 128
# OWASP Application Security Verification Standard 5, V6.2: length and a list, no composition.
_MEMORY_KIB, _TURNS, _LANES = 65_536, 3, 1
_SALT_BYTES = 16
# Each hash takes 64 MiB for a moment: many log-ins at once wait for each other.
_TWO_AT_ONCE = threading.BoundedSemaphore(2)
# What has to be left beside common words, rows of keys and own words (from memory, no source).
_LEFT_OVER, _LEFT_OVER_KINDS = 8, 5
_ROWS = ("01234567890123456789", "qwertyuiopasdfghjklzxcvbnm", "abcdefghijklmnopqrstuvwxyz")
_ROW_PIECE = 4
_LOOK_ALIKES = str.maketrans("013457@$!", "oieastasi")


def refuse_weak_password(password: str, own_words: Iterable[str]) -> str | None:
    """Return why a password cannot be used, None where it can.

    Parameters
    ----------
    own_words : iterable of str
        The person's log-in name and name: a password of those is guessed first.
    """
    if len(password) < SHORTEST:
        return f"A password has at least {SHORTEST} characters. Take a few words in a row."
    if len(password) > LONGEST:
        return f"A password has at most {LONGEST} characters. Take a shorter one."
    plain = unicodedata.normalize("NFKC", password).casefold()
    if _is_pattern(plain) or _is_common(plain, own_words):
        return (
            "That password is among the first that are guessed. Take a few words that have "
            "nothing to do with you or this unit."
        )
    return None


def hash_password(password: str, salt: str) -> str:
    """Return a password as it is kept: Argon2id with 64 MiB and 3 turns, as a PHC string.

    Parameters
    ----------
    salt : str
        Fresh, 32 hexadecimal digits.
    """
    argon = Argon2id(
        salt=bytes.fromhex(salt)[:_SALT_BYTES],
        length=32,
        iterations=_TURNS,
        lanes=_LANES,
        memory_cost=_MEMORY_KIB,
    )
    with _TWO_AT_ONCE:
        return argon.derive_phc_encoded(_bytes_of(password))


def is_password(password: str, kept: str | None) -> bool:
    """Say whether a password is the one kept; without one it takes as long and says False."""
    wanted = kept or _nobodys_password()
    try:
        with _TWO_AT_ONCE:
            Argon2id.verify_phc_encoded(_bytes_of(password), wanted)
    except InvalidKey:
        return False
    return kept is not None


def _bytes_of(password: str) -> bytes:
    # One person types an accent as one sign, another keyboard as two.
    return unicodedata.normalize("NFKC", password).encode("utf-8", "surrogatepass")


@functools.cache
def _nobodys_password() -> str:
    return hash_password("no account has this one", "00" * _SALT_BYTES)


@functools.cache
def _common_words() -> tuple[str, ...]:
    text = (resources.files("api.use_cases") / "common_passwords.txt").read_text("utf-8")
    words = (line.strip() for line in text.splitlines() if not line.startswith("#"))
    # The longest first: "administrator" before "admin".
    return tuple(sorted({word for word in words if word}, key=lambda word: (-len(word), word)))


def _is_pattern(plain: str) -> bool:
    """Say whether a text repeats one short piece."""
    return any(
        plain == (plain[:length] * (len(plain) // length + 1))[: len(plain)]
        for length in range(1, 6)
    )


def _is_common(plain: str, own_words: Iterable[str]) -> bool:
    """Say whether too little is left once common words, rows of keys and own words are out."""
    own = [
        piece
        for word in own_words
        for piece in re.split(r"[\W_]+", word.casefold())
        if len(piece) >= 3  # noqa: PLR2004  initials are in every word
    ]
    left_over = [_left_over(text, own) for text in (plain, plain.translate(_LOOK_ALIKES))]
    return any(len(left) < _LEFT_OVER or len(set(left)) < _LEFT_OVER_KINDS for left in left_over)


def _left_over(text: str, own: list[str]) -> str:
    for word in (*sorted(own, key=len, reverse=True), *_common_words()):
        text = text.replace(word, "")
    for row in (*_ROWS, *(row[::-1] for row in _ROWS)):
        for length in range(len(row), _ROW_PIECE - 1, -1):
            for start in range(len(row) - length + 1):
                text = text.replace(row[start : start + length], "")
    return "".join(text.split())
