"""ECDSA on the curve P-256 with SHA-256 (FIPS 186-5), in the forms that browsers write.

A public key is its SubjectPublicKeyInfo in DER (RFC 5480), a signature is r and s as 32 bytes
each (IEEE 1363); both travel in base64.
"""

import base64
import binascii
import hashlib

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.utils import (
    decode_dss_signature,
    encode_dss_signature,
)

from sync.signing import SIGNATURE_BYTES

_NUMBER_BYTES = SIGNATURE_BYTES // 2


class UnreadableKeyError(Exception):
    """The bytes are no public key on P-256 in the one form we take."""


def read_base64(text: str) -> bytes | None:
    """Return the bytes of a base64 text, None when it is not the one text of its bytes."""
    try:
        content = base64.b64decode(text, validate=True)
    except (binascii.Error, ValueError):
        return None
    return content if write_base64(content) == text else None


def write_base64(content: bytes) -> str:
    """Return bytes as base64 with padding (RFC 4648, section 4)."""
    return base64.b64encode(content).decode()


def name_key(public_key: bytes) -> str:
    """Return the id of a public key: SHA-256 of its bytes, 64 hexadecimal digits (SG2)."""
    return hashlib.sha256(public_key).hexdigest()


def read_public_key(content: bytes) -> ec.EllipticCurvePublicKey:
    """Return the key that DER bytes hold.

    Raises
    ------
    UnreadableKeyError
        It is no key on P-256, or another spelling of one (SG2).
    """
    try:
        key = serialization.load_der_public_key(content)
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        raise UnreadableKeyError from error
    if not isinstance(key, ec.EllipticCurvePublicKey) or not isinstance(key.curve, ec.SECP256R1):
        raise UnreadableKeyError
    if write_public_key(key) != content:
        raise UnreadableKeyError
    return key


def write_public_key(key: ec.EllipticCurvePublicKey) -> bytes:
    """Return a public key in DER, its point uncompressed."""
    return key.public_bytes(
        serialization.Encoding.DER, serialization.PublicFormat.SubjectPublicKeyInfo
    )


def is_signed_text(key: str, text: str, signature: str) -> bool:
    """Say whether a signature over a text fits the key, both base64; False for what is none."""
    read_key, read_signature = read_base64(key), read_base64(signature)
    if read_key is None or read_signature is None:
        return False
    return is_signed(read_key, text.encode(), read_signature)


def name_key_text(key: str) -> str:
    """Return the id of a key in base64, "" where it is none."""
    read = read_base64(key)
    return "" if read is None else name_key(read)


def is_signed(public_key: bytes, message: bytes, signature: bytes) -> bool:
    """Say whether a signature over a message was made by the key; False for what is no key."""
    if len(signature) != SIGNATURE_BYTES:
        return False
    r = int.from_bytes(signature[:_NUMBER_BYTES])
    s = int.from_bytes(signature[_NUMBER_BYTES:])
    try:
        read_public_key(public_key).verify(
            encode_dss_signature(r, s), message, ec.ECDSA(hashes.SHA256())
        )
    except (InvalidSignature, UnreadableKeyError, ValueError):
        return False
    return True


def sign(key: ec.EllipticCurvePrivateKey, message: bytes) -> bytes:
    """Return the signature over a message, the same each time (RFC 6979): it draws no chance."""
    algorithm = ec.ECDSA(hashes.SHA256(), deterministic_signing=True)
    r, s = decode_dss_signature(key.sign(message, algorithm))
    return r.to_bytes(_NUMBER_BYTES) + s.to_bytes(_NUMBER_BYTES)
