"""A device that signs, with a key made from its name: for tests alone."""

import hashlib

from cryptography.hazmat.primitives.asymmetric import ec

from api.storage.p256 import name_key, sign, write_base64, write_public_key
from sync.operation import Operation
from sync.signing import write_head_text


class SigningDevice:
    """Signs heads as a device; ``number`` tells its keys over time apart."""

    def __init__(self, device: str, number: int = 1) -> None:
        self.device = device
        digest = hashlib.sha256(f"{device} {number}".encode()).digest()
        # One less than 2^255 is below the order of the curve.
        secret = int.from_bytes(digest) >> 1
        self._key = ec.derive_private_key(secret, ec.SECP256R1())
        self.public_key = write_public_key(self._key.public_key())
        self.key_text = write_base64(self.public_key)
        self.key_id = name_key(self.public_key)

    def sign(self, text: str) -> bytes:
        """Return the signature over any text."""
        return sign(self._key, text.encode())

    def sign_head(self, last: Operation) -> str:
        """Return the signature over the head of a batch that ends in an operation."""
        text = write_head_text(last.device, last.epoch, last.counter, last.hash)
        return write_base64(self.sign(text))
