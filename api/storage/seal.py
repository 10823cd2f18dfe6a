"""The seal of a closed store: what its file was, and where each log ended, signed by the server.

A seal lies beside the file it speaks of. It is taken off when the store is opened and written
anew when it is closed, so that whatever byte is changed in between is found. A broken one is kept
under another name until a backup is put back.
"""

import hashlib
import os
from collections.abc import Iterable
from pathlib import Path

import msgspec

from api.storage.p256 import is_signed, read_base64, write_base64
from api.storage.server_key import ServerKey

SUFFIX = ".seal"
BROKEN_SUFFIX = ".seal.broken"
_WAL_SUFFIX = "-wal"


class SealedHead(msgspec.Struct, frozen=True, order=True):
    """Where one log ended when the store was closed."""

    device: str
    epoch: str
    counter: int
    hash: str


class Seal(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What the sidecar holds; ``key`` and ``signature`` are base64, ``size`` is in bytes."""

    sha256: str
    size: int
    heads: tuple[SealedHead, ...]
    key: str
    signature: str

    @property
    def signed_text(self) -> str:
        """The text that the server signs (SG9)."""
        heads = (f"{one.device} {one.epoch} {one.counter} {one.hash}" for one in self.heads)
        return "\n".join(["crura-seal", self.sha256, str(self.size), *heads])


def write_seal(file: Path, heads: Iterable[SealedHead], key: ServerKey) -> None:
    """Write the seal of a closed file beside it; the former one is replaced.

    Parameters
    ----------
    heads : iterable of SealedHead
        Where each log ends, sorted.

    Raises
    ------
    OSError
        The file cannot be read, or its folder not be written; no half seal is left.
    """
    seal = Seal(
        sha256=_digest(file),
        size=file.stat().st_size,
        heads=tuple(heads),
        key=write_base64(key.public_key),
        signature="",
    )
    signature = write_base64(key.sign(seal.signed_text.encode()))
    half = _beside(file, f"{SUFFIX}.part")
    try:
        with half.open("wb") as written:
            written.write(msgspec.json.encode(msgspec.structs.replace(seal, signature=signature)))
            written.flush()
            os.fsync(written.fileno())
        half.replace(_beside(file, SUFFIX))
    except OSError:
        half.unlink(missing_ok=True)
        raise


def judge_seal(file: Path, key: ServerKey | None) -> str | None:
    """Return what is wrong with a file by its seal, None when all is well or it has none.

    Parameters
    ----------
    key : ServerKey or None
        Key that must have signed; None for a backup, which another machine may have made.
    """
    path = _beside(file, SUFFIX)
    if not path.exists():
        return None
    seal = read_seal(path)
    if seal is None:
        return f"The seal {path} is none that its server has signed. {_WHAT_TO_DO}"
    if key is not None and seal.key != write_base64(key.public_key):
        return f"The seal {path} was signed by another server's key. {_WHAT_TO_DO}"
    if not file.is_file() or (file.stat().st_size, _digest(file)) != (seal.size, seal.sha256):
        return f"{file} was changed after it was sealed. {_WHAT_TO_DO}"
    wal = _beside(file, _WAL_SUFFIX)
    if wal.exists() and wal.stat().st_size:
        return f"{wal} was added after {file} was sealed. {_WHAT_TO_DO}"
    return None


_WHAT_TO_DO = (
    "Keep it for the data manager, and restore a backup; the devices send again what it lacks."
)


def read_seal(path: Path) -> Seal | None:
    """Return a seal whose signature fits its own key, None for anything else."""
    try:
        seal = msgspec.json.decode(path.read_bytes(), type=Seal)
    except (OSError, msgspec.MsgspecError, UnicodeDecodeError):
        return None
    key, signature = read_base64(seal.key), read_base64(seal.signature)
    if key is None or signature is None:
        return None
    return seal if is_signed(key, seal.signed_text.encode(), signature) else None


def take_off_seal(file: Path, key: ServerKey) -> None:
    """Remove the seal of a file that is about to be opened; a broken one is kept aside.

    Opening goes on either way: people must be able to work. `crura verify` tells.
    """
    path = _beside(file, SUFFIX)
    if judge_seal(file, key) is None:
        path.unlink(missing_ok=True)
        return
    broken = _beside(file, BROKEN_SUFFIX)
    if broken.exists():
        # The first break is the one that counts: what was sealed since is built upon it.
        path.unlink()
    else:
        path.rename(broken)


def broken_seal_of(file: Path) -> Path | None:
    """Return where a broken seal of a file is kept, None when there is none."""
    path = _beside(file, BROKEN_SUFFIX)
    return path if path.exists() else None


def _digest(file: Path) -> str:
    with file.open("rb") as content:
        return hashlib.file_digest(content, "sha256").hexdigest()


def _beside(file: Path, suffix: str) -> Path:
    return file.with_name(f"{file.name}{suffix}")
