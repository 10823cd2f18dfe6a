"""Bytes of still pictures, one file each, named by SHA-256 over its content.

``pictures/<2 digits>/<64 digits>`` is a whole picture and never changes. What a device has sent so
far of one lies beside it as ``<64 digits>.<sender>.part`` until it is whole.
"""

import hashlib
import os
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from errno import EDQUOT, ENOSPC
from pathlib import Path
from threading import RLock

from api.storage.errors import DiskFullError, DiskTroubleError

FOLDER_NAME = "pictures"
_DIGEST = re.compile(r"[0-9a-f]{64}")
_JPEG = b"\xff\xd8\xff"
_PNG = b"\x89PNG\r\n\x1a\n"


def media_type_of(start: bytes) -> str | None:
    """Return the media type that the first bytes of a picture show, None for anything else."""
    if start.startswith(_JPEG):
        return "image/jpeg"
    return "image/png" if start.startswith(_PNG) else None


def is_digest(name: str) -> bool:
    """Say whether a name is 64 hexadecimal digits, and so can be that of a picture."""
    return _DIGEST.fullmatch(name) is not None


class PictureFiles:
    """The pictures of one data folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        # Two tries of one device to send the same piece must not be written into each other.
        self._one_at_a_time = RLock()

    def is_whole(self, digest: str) -> bool:
        """Say whether all bytes of a picture have come."""
        return self._place_of(digest).is_file()

    def held_bytes(self, digest: str, sender: str) -> int:
        """Return how many bytes are held: of the whole picture, else of what the sender sent."""
        for path in (self._place_of(digest), self._part_of(digest, sender)):
            if path.is_file():
                return path.stat().st_size
        return 0

    def append(self, digest: str, sender: str, offset: int, piece: bytes) -> int:
        """Add a piece to what a sender has sent and return how much is held.

        A piece that does not begin where the held ones end is left out; the answer says where to
        go on.

        Raises
        ------
        DiskFullError, DiskTroubleError
            The disk refused; the piece has to come again.
        """
        with self._one_at_a_time, _name_trouble():
            held = self.held_bytes(digest, sender)
            if self.is_whole(digest) or offset != held:
                return held
            part = self._part_of(digest, sender)
            part.parent.mkdir(parents=True, exist_ok=True)
            try:
                with part.open("ab") as file:
                    file.write(piece)
            except OSError:
                # Half a piece would make every later one useless.
                if part.exists():
                    os.truncate(part, held)
                raise
            return held + len(piece)

    def settle(self, digest: str, sender: str) -> bool:
        """Make what a sender has sent the picture; False where its bytes are not those it names.

        Bytes that are not are thrown away. On the disk before it returns.
        """
        with self._one_at_a_time, _name_trouble():
            if self.is_whole(digest):
                return True
            part = self._part_of(digest, sender)
            if not part.is_file() or _digest_of(part) != digest:
                part.unlink(missing_ok=True)
                return False
            _put_in_place(part, self._place_of(digest))
            for other in part.parent.glob(f"{digest}.*.part"):
                other.unlink(missing_ok=True)
            return True

    def forget(self, digest: str, sender: str) -> None:
        """Throw away what a sender has sent of a picture that is not whole."""
        with self._one_at_a_time, _name_trouble():
            self._part_of(digest, sender).unlink(missing_ok=True)

    def remove(self, digest: str) -> bool:
        """Delete a picture and what was sent of it so far; say whether there was anything."""
        with self._one_at_a_time, _name_trouble():
            place = self._place_of(digest)
            held = [one for one in place.parent.glob(f"{digest}*") if one.is_file()]
            for one in held:
                one.unlink(missing_ok=True)
            return held != []

    def read(self, digest: str, offset: int, most: int) -> bytes | None:
        """Return a piece of a whole picture, None while it has not come."""
        with _name_trouble():
            try:
                with self._place_of(digest).open("rb") as file:
                    file.seek(offset)
                    return file.read(most)
            except FileNotFoundError:
                return None

    def judge(self, digest: str) -> str:
        """Return "whole", "missing", or "altered" where the bytes are not those of the name."""
        with _name_trouble():
            if not self.is_whole(digest):
                return "missing"
            return "whole" if _digest_of(self._place_of(digest)) == digest else "altered"

    def digests(self) -> list[str]:
        """Return the names of the pictures whose bytes have come, sorted."""
        return sorted(path.name for path in self.folder.glob("??/*") if is_digest(path.name))

    def copy_to(self, target: Path) -> tuple[str, ...]:
        """Copy every picture into a folder and return those left out, since they were altered.

        Raises
        ------
        OSError
            The disk refuses.
        """
        left_out = []
        for digest in self.digests():
            if self.judge(digest) != "whole":
                left_out.append(digest)
                continue
            copied = PictureFiles(target)
            if copied.judge(digest) == "whole":
                continue
            place = copied._place_of(digest)
            place.parent.mkdir(parents=True, exist_ok=True)
            half = place.with_name(f"{digest}.copy.part")
            shutil.copyfile(self._place_of(digest), half)
            _put_in_place(half, place)
        return tuple(left_out)

    def _place_of(self, digest: str) -> Path:
        if not is_digest(digest):
            message = f"{digest[:80]!r} is no name of a picture."
            raise ValueError(message)
        return self.folder / digest[:2] / digest

    def _part_of(self, digest: str, sender: str) -> Path:
        place = self._place_of(digest)
        return place.with_name(f"{digest}.{hashlib.sha256(sender.encode()).hexdigest()[:16]}.part")


def _put_in_place(half: Path, place: Path) -> None:
    """Give written bytes their name, so that a power cut leaves all of them or none."""
    with half.open("rb") as file:
        os.fsync(file.fileno())
    half.replace(place)
    opened = os.open(place.parent, os.O_RDONLY)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)


def _digest_of(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@contextmanager
def _name_trouble() -> Iterator[None]:
    try:
        yield
    except OSError as error:
        if error.errno in (ENOSPC, EDQUOT):
            message = (
                "The disk of the unit server is full and this piece of the picture was not kept. "
                "Make room there; the tablet sends it again."
            )
            raise DiskFullError(message) from error
        message = (
            f"The disk of the unit server refuses ({error.strerror}) and this piece of the picture "
            "was not kept. See that it can be written; the tablet sends it again."
        )
        raise DiskTroubleError(message) from error
