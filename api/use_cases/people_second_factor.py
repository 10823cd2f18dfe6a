"""The second factor of a log-in: time-based one-time codes (RFC 6238) of an app of the person.

Six digits, SHA-1 and 30 seconds are what such apps take; the secret has 160 bits.
"""

import base64

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA1
from cryptography.hazmat.primitives.twofactor import InvalidToken
from cryptography.hazmat.primitives.twofactor.totp import TOTP

from api.storage.server_key import ServerKey

STEP_SECONDS = 30
DIGITS = 6
SECRET_BYTES = 20
# RFC 6238, 5.2: at most one step for the way and for a clock that is off.
_STEPS_OFF = (0, -1, 1)
_NONCE_BYTES = 12
_ISSUER = "Crura"
_PURPOSE = "crura second factor 1"
_OFFER_PURPOSE = "crura offered second factor 1"
# How long an offer stands: time to find an app and read a picture with it.
OFFER_MS = 10 * 60_000
_TIME_BYTES = 8


def find_step(secret: bytes, code: str, *, now_ms: int) -> int | None:
    """Return the step whose code this is, None where it is none of now or one step beside.

    Parameters
    ----------
    now_ms : int
        Wall clock of the server, milliseconds.
    """
    digits = "".join(code.split())
    if len(digits) != DIGITS or not (digits.isascii() and digits.isdigit()):
        return None
    now = now_ms // 1_000 // STEP_SECONDS
    found = [now + off for off in _STEPS_OFF if _is_code(secret, digits, now + off)]
    return found[0] if found else None


def write_address(secret: bytes, login: str) -> str:
    """Return the ``otpauth:`` address that an app of codes reads."""
    return _totp(secret).get_provisioning_uri(login, _ISSUER)


def write_secret(secret: bytes) -> str:
    """Return a secret as people type it: base32 in groups of four."""
    text = base64.b32encode(secret).decode().rstrip("=")
    return " ".join(text[start : start + 4] for start in range(0, len(text), 4))


def seal_secret(key: ServerKey, staff: str, secret: bytes, salt: str) -> bytes:
    """Return a secret encrypted for keeping, bound to its person (AES-256-GCM).

    Parameters
    ----------
    salt : str
        Fresh, 32 hexadecimal digits.
    """
    return _seal(key, _PURPOSE, staff, secret, salt)


def open_secret(key: ServerKey, staff: str, sealed: bytes) -> bytes | None:
    """Return a secret that was sealed for this person here, None where it cannot be opened."""
    opened = (_open(one, _PURPOSE, staff, sealed) for one in key.every)
    return next((secret for secret in opened if secret is not None), None)


def seal_offer(key: ServerKey, staff: str, secret: bytes, salt: str, *, now_ms: int) -> str:
    """Return a secret that its person may take up for a while, sealed; nothing of it is kept.

    Parameters
    ----------
    salt : str
        Fresh, 32 hexadecimal digits.
    now_ms : int
        Wall clock of the server, milliseconds.
    """
    until = (now_ms + OFFER_MS).to_bytes(_TIME_BYTES, "big")
    return _seal(key, _OFFER_PURPOSE, staff, until + secret, salt).hex()


def open_offer(key: ServerKey, staff: str, offer: str, *, now_ms: int) -> bytes | None:
    """Return the secret of an offer that was made to this person here and is not over."""
    try:
        content = _open(key, _OFFER_PURPOSE, staff, bytes.fromhex(offer))
    except ValueError:
        return None
    if content is None or int.from_bytes(content[:_TIME_BYTES], "big") <= now_ms:
        return None
    return content[_TIME_BYTES:]


def _seal(key: ServerKey, purpose: str, staff: str, content: bytes, salt: str) -> bytes:
    nonce = bytes.fromhex(salt)[:_NONCE_BYTES]
    return nonce + AESGCM(key.derive_key(purpose)).encrypt(nonce, content, staff.encode())


def _open(key: ServerKey, purpose: str, staff: str, sealed: bytes) -> bytes | None:
    nonce, content = sealed[:_NONCE_BYTES], sealed[_NONCE_BYTES:]
    try:
        return AESGCM(key.derive_key(purpose)).decrypt(nonce, content, staff.encode())
    except (InvalidTag, ValueError):
        return None


def _is_code(secret: bytes, digits: str, step: int) -> bool:
    try:
        _totp(secret).verify(digits.encode(), step * STEP_SECONDS)
    except (InvalidToken, ValueError, OverflowError):
        return False
    return True


def _totp(secret: bytes) -> TOTP:
    return TOTP(secret, DIGITS, SHA1(), STEP_SECONDS)  # noqa: S303  RFC 6238, as apps take it
