"""The unit server's own signing key: a file of its data folder that its owner alone can read."""

import errno
import os
import re
from pathlib import Path

from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

from api.storage.errors import DiskFullError, StorageError
from api.storage.p256 import name_key, sign, write_public_key

FILE_NAME = "crura.server-key.pem"
_FORMER = "crura.server-key.former-"
_FORMER_LETTERS = 16
OWNER_ALONE = 0o600
# Of the base point of P-256 (FIPS 186-5 names SP 800-186, section 3.2.1.3).
_ORDER = 0xFFFFFFFF00000000FFFFFFFFFFFFFFFFBCE6FAADA7179E84F3B9CAC2FC632551


class ServerKey:
    """Signs as the unit server. The secret never leaves it.

    Parameters
    ----------
    former : tuple of ServerKey
        Keys that this one replaced: they open what was sealed for them, and sign nothing more but
        for devices that were told no other.
    """

    def __init__(
        self, private_key: ec.EllipticCurvePrivateKey, former: "tuple[ServerKey, ...]" = ()
    ) -> None:
        self._private_key = private_key
        self.former = former
        self.public_key = write_public_key(private_key.public_key())
        self.key_id = name_key(self.public_key)

    @property
    def every(self) -> "tuple[ServerKey, ...]":
        """The key itself, and those that it replaced."""
        return (self, *self.former)

    def sign(self, message: bytes) -> bytes:
        """Return the signature over a message, 64 bytes."""
        return sign(self._private_key, message)

    def agree(self, other: ec.EllipticCurvePublicKey) -> bytes:
        """Return the 32 secret bytes shared with the owner of another key (ECDH on P-256)."""
        return self._private_key.exchange(ec.ECDH(), other)

    def derive_key(self, purpose: str) -> bytes:
        """Return 32 secret bytes for one purpose (HKDF-SHA256); another purpose gives others."""
        secret = self._private_key.private_numbers().private_value.to_bytes(32, "big")
        return HKDF(hashes.SHA256(), 32, salt=None, info=purpose.encode()).derive(secret)

    def derive_signer(self, purpose: str) -> "ServerKey":
        """Return another key for one purpose, the same each time; neither tells of the other.

        The secret is drawn from 48 bytes, so that no residue of the curve's order is likelier
        than another (FIPS 186-5, A.2.1).
        """
        secret = self._private_key.private_numbers().private_value.to_bytes(32, "big")
        drawn = HKDF(hashes.SHA256(), 48, salt=None, info=purpose.encode()).derive(secret)
        return ServerKey(
            ec.derive_private_key(int.from_bytes(drawn) % (_ORDER - 1) + 1, ec.SECP256R1())
        )


def load_server_key(folder: Path) -> ServerKey:
    """Return the key of a data folder, making one where there is none; call it under the lock.

    A folder without its key (a backup put back on another machine) gets a new one: the log that
    it then writes is a new one anyway (EX4), and the former key's logs stay as they are.

    Raises
    ------
    StorageError
        The file holds no key of ours or cannot be read or written. No half file is left.
    """
    path = folder / FILE_NAME
    try:
        if not path.exists():
            _write_new_key(path)
    except OSError as error:
        raise _refusal_of(path, error) from error
    former = tuple(ServerKey(_read_key(one)) for one in former_keys_in(folder))
    return ServerKey(_read_key(path), former)


def replace_server_key(folder: Path, key: ServerKey) -> ServerKey:
    """Put a new key in the place of the one of a folder, which is kept beside it; call it as above.

    Raises
    ------
    StorageError
        The folder cannot be written. After a cut in between, the next opening makes the new key.
    """
    path = folder / FILE_NAME
    kept = folder / f"{_FORMER}{key.key_id[:_FORMER_LETTERS]}.pem"
    try:
        path.rename(kept)
    except OSError as error:
        raise _refusal_of(path, error) from error
    return load_server_key(folder)


def former_keys_in(folder: Path) -> list[Path]:
    """Return the files of the keys that were replaced, by name."""
    return sorted(one for one in folder.glob(f"{_FORMER}*") if is_former_key(one.name))


def is_former_key(name: str) -> bool:
    """Say whether a file of this name holds a key that was replaced."""
    return (
        re.fullmatch(rf"{re.escape(_FORMER)}[0-9a-f]{{{_FORMER_LETTERS}}}\.pem", name) is not None
    )


def _read_key(path: Path) -> ec.EllipticCurvePrivateKey:
    try:
        # A copy of the folder may have lost its rights; whoever reads the key signs as the unit.
        path.chmod(OWNER_ALONE)
        key = serialization.load_pem_private_key(path.read_bytes(), password=None)
    except OSError as error:
        raise _refusal_of(path, error) from error
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        raise _no_key(path) from error
    if not isinstance(key, ec.EllipticCurvePrivateKey) or not isinstance(key.curve, ec.SECP256R1):
        raise _no_key(path)
    return key


def _write_new_key(path: Path) -> None:
    # The one secret that is drawn here and not handed in: nobody else may ever hold it.
    content = ec.generate_private_key(ec.SECP256R1()).private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
    half = path.with_name(f"{path.name}.part")
    half.unlink(missing_ok=True)
    try:
        descriptor = os.open(half, os.O_WRONLY | os.O_CREAT | os.O_EXCL, OWNER_ALONE)
        with os.fdopen(descriptor, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        half.rename(path)
    except OSError:
        half.unlink(missing_ok=True)
        raise


def _refusal_of(path: Path, error: OSError) -> StorageError:
    if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        return DiskFullError(
            f"The disk has no room for the server's key {path} and nothing was written. Make room "
            "there, then try again."
        )
    return StorageError(
        f"The server's key {path} cannot be used ({error.strerror}). Check its rights."
    )


def _no_key(path: Path) -> StorageError:
    return StorageError(
        f"{path} holds no signing key of ours. Put the right file back, or move this one away: "
        "the unit then begins a new log under a new key."
    )
