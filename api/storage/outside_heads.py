"""Where every log and the trail of access ended on one day, signed, in a file outside the store.

Whoever cuts a log and its signatures off in the store leaves a shorter, sound log behind: what lies
elsewhere tells. Rule ids: SEC-17, AU2, SG9.
"""

import os
import tempfile
from pathlib import Path

import msgspec

from api.storage.access_log import AccessHead
from api.storage.errors import StorageError
from api.storage.p256 import is_signed_text, name_key_text, write_base64
from api.storage.seal import SealedHead
from api.storage.server_key import ServerKey

_PATTERN = "heads-*.json"
_KEY_LETTERS = 12


class OutsideHeads(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What one file holds; ``key`` and ``signature`` are base64.

    Parameters
    ----------
    on : str
        Civil day of the unit on which they were written.
    access : AccessHead or None
        Where the trail of access ended, signed by itself; None where nothing was noted yet.
    logs : tuple of SealedHead
        Where each log ended, sorted.
    """

    on: str
    at_ms: int
    access: AccessHead | None
    logs: tuple[SealedHead, ...]
    key: str
    signature: str

    @property
    def signed_text(self) -> str:
        """The text that the server signs."""
        access = f"{self.access.seq} {self.access.hash}" if self.access else "0 -"
        logs = (f"{one.device} {one.epoch} {one.counter} {one.hash}" for one in self.logs)
        return "\n".join(["crura-heads", self.on, str(self.at_ms), access, *logs])

    @property
    def is_sound(self) -> bool:
        """Say whether the signature fits the key that it names."""
        return is_signed_text(self.key, self.signed_text, self.signature)

    @property
    def key_id(self) -> str:
        """The id of the key, "" where it is none."""
        return name_key_text(self.key)


def sign_heads(
    on: str,
    access: AccessHead | None,
    logs: tuple[SealedHead, ...],
    key: ServerKey,
    *,
    at_ms: int,
) -> OutsideHeads:
    """Return the heads of a day, signed."""
    bare = OutsideHeads(
        on=on,
        at_ms=at_ms,
        access=access,
        logs=logs,
        key=write_base64(key.public_key),
        signature="",
    )
    signature = write_base64(key.sign(bare.signed_text.encode()))
    return msgspec.structs.replace(bare, signature=signature)


def refuse_place(place: Path, folder: Path) -> None:
    """Refuse a folder for heads that cannot be written, or lies in the data folder itself.

    Raises
    ------
    StorageError
        As said.
    """
    if place.resolve().is_relative_to(folder.resolve()):
        raise StorageError(
            f"{place} lies in the data folder, where whoever cuts a log off cuts its heads off as "
            "well. Give --heads-to a folder elsewhere, best on another machine."
        )
    try:
        place.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=place):
            pass
    except OSError as error:
        message = f"{place} cannot be written ({error.strerror}). Give --heads-to another folder."
        raise StorageError(message) from error


def file_of_day(place: Path, on: str, key: ServerKey) -> Path:
    """Return where the heads of a day are kept: several servers may share a place."""
    return place / f"heads-{on}-{key.key_id[:_KEY_LETTERS]}.json"


def write_heads(path: Path, heads: OutsideHeads) -> None:
    """Write a file that was not there; no half one is left, and none is written over.

    Raises
    ------
    OSError
        The place refuses, or the file is there.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    half = path.with_name(f"{path.name}.{os.getpid()}.part")
    try:
        with half.open("wb") as written:
            written.write(msgspec.json.format(msgspec.json.encode(heads), indent=1))
            written.flush()
            os.fsync(written.fileno())
        # Unlike a rename, a link replaces nothing. A place that knows no links gets a plain file.
        try:
            path.hardlink_to(half)
        except PermissionError:
            with path.open("xb") as plain:
                plain.write(half.read_bytes())
                plain.flush()
                os.fsync(plain.fileno())
    finally:
        half.unlink(missing_ok=True)


def read_heads(path: Path) -> OutsideHeads:
    """Return what a file holds, whatever its signature says.

    Raises
    ------
    StorageError
        It cannot be read, or is none.
    """
    try:
        return msgspec.json.decode(path.read_bytes(), type=OutsideHeads)
    except (OSError, msgspec.MsgspecError, UnicodeError) as error:
        message = f"{path} holds no heads of a day ({error}). Name another file."
        raise StorageError(message) from error


def list_heads(place: Path) -> list[Path]:
    """Return a file itself, or every file of heads in a folder by its name.

    Raises
    ------
    StorageError
        There is none.
    """
    found = sorted(place.glob(_PATTERN)) if place.is_dir() else [place]
    if not found:
        raise StorageError(f"{place} holds no heads of any day. Name the folder of --heads-to.")
    return found
