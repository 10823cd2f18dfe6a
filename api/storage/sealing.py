"""Sealing on the curve P-256: whoever seals needs the receiver's public key alone (SE1).

ECDH with a key used once, HKDF-SHA256, AES-256-GCM. The twin is `pwa/src/network/sealing.ts`.
"""

from collections.abc import Callable
from contextlib import suppress

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

from api.storage.p256 import read_public_key
from api.storage.server_key import ServerKey

VERSION = 1
_POINT_BYTES = 65
_CONTENT_AT = 1 + _POINT_BYTES
# The key is used once, so that its first nonce is its only one.
_NONCE = bytes(12)


def about_entry(device: str, epoch: str, counter: int) -> str:
    """Return what is bound to a sealed entry (SE2)."""
    return f"entry\n{device}\n{epoch}\n{counter}"


def about_share(device: str) -> str:
    """Return what is bound to the data key that a tablet keeps sealed for its unit (SE4)."""
    return f"share\n{device}"


def about_return(device: str) -> str:
    """Return what is bound to the data key on its way back (SE4)."""
    return f"return\n{device}"


def open_sealed(key: ServerKey, about: str, sealed: bytes) -> bytes | None:
    """Return what was sealed for the unit server by any key it ever had, None for anything else.

    Parameters
    ----------
    about : str
        What the content was bound to; sealed bytes open as nothing else.
    """
    if len(sealed) <= _CONTENT_AT or sealed[0] != VERSION:
        return None
    point = sealed[1:_CONTENT_AT]
    try:
        other = ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), point)
    except ValueError:
        return None
    for one in key.every:
        salt = point + _point_of(read_public_key(one.public_key))
        cipher = _cipher(one.agree(other), salt, about)
        with suppress(InvalidTag):
            return cipher.decrypt(_NONCE, sealed[_CONTENT_AT:], None)
    return None


def seal(
    public_key: bytes,
    about: str,
    content: bytes,
    *,
    draw_key: Callable[[], ec.EllipticCurvePrivateKey] = lambda: ec.generate_private_key(
        ec.SECP256R1()
    ),
) -> bytes:
    """Seal bytes for whoever holds the private half of a public key.

    Parameters
    ----------
    public_key : bytes
        SubjectPublicKeyInfo in DER (SG2).
    draw_key : callable
        Draws the key that is used once.

    Raises
    ------
    UnreadableKeyError
        ``public_key`` is no key on P-256 in the one form we take.
    """
    to = read_public_key(public_key)
    once = draw_key()
    point = _point_of(once.public_key())
    cipher = _cipher(once.exchange(ec.ECDH(), to), point + _point_of(to), about)
    return bytes([VERSION]) + point + cipher.encrypt(_NONCE, content, None)


def _cipher(secret: bytes, salt: bytes, about: str) -> AESGCM:
    info = f"crura-seal\n{about}".encode()
    return AESGCM(HKDF(hashes.SHA256(), 32, salt=salt, info=info).derive(secret))


def _point_of(key: ec.EllipticCurvePublicKey) -> bytes:
    return key.public_bytes(
        serialization.Encoding.X962, serialization.PublicFormat.UncompressedPoint
    )
