"""Take in the bytes of a still picture piece by piece, and hand them out again.

Operations go first and name the picture; its bytes follow by a way of their own. Nothing is taken
in that no standing record names.
"""

import msgspec

from api.storage.device_store import Device
from api.storage.picture_files import is_digest, media_type_of
from api.storage.unit_store import UnitStore
from api.use_cases.errors import (
    NoSuchPictureError,
    NotAllowedError,
    PictureRefusedError,
    TooLargeError,
    UnnamedPictureError,
)

MAX_PICTURE_BYTES = 8 * 1024 * 1024
MAX_PIECE_BYTES = 1024 * 1024
_KIND, _STREAM = "picture", "care"


class PictureStanding(msgspec.Struct, frozen=True):
    """How much of a picture the unit holds from the device that asks, and whether that is all."""

    held: int
    whole: bool


class _Named(msgspec.Struct, frozen=True):
    """What a record says of the bytes it names."""

    size: int
    media_type: str


def receive_piece(
    store: UnitStore, device: Device, record: str, digest: str, offset: int, piece: bytes
) -> PictureStanding:
    """Take in one piece; the last one makes the picture whole, on the disk.

    Parameters
    ----------
    record : str
        Id of the picture's record, which has to name the digest.
    offset : int
        Where the piece begins, in bytes. One that does not begin where the held ones end is left
        out, and the answer says where to go on.

    Raises
    ------
    NotAllowedError
        The device's role does not read findings.
    UnnamedPictureError
        No record here names the picture yet.
    TooLargeError
        The picture or the piece is over the bound.
    PictureRefusedError
        The bytes are no JPEG or PNG, more than the record says, or not those that the hash names;
        what was sent of it is thrown away.
    """
    named = _find_named(store, device, record, digest)
    if named.size > MAX_PICTURE_BYTES:
        message = (
            f"A picture may have {MAX_PICTURE_BYTES} bytes and this one has {named.size}. Take it "
            "again, smaller."
        )
        raise TooLargeError(message)
    if len(piece) > MAX_PIECE_BYTES:
        message = f"A piece may have {MAX_PIECE_BYTES} bytes. Send smaller ones."
        raise TooLargeError(message)
    files = store.pictures
    if not files.is_whole(digest):
        _refuse_unfit(named, offset, piece)
        if files.append(digest, device.id, offset, piece) == named.size and not files.settle(
            digest, device.id
        ):
            message = (
                "The bytes of this picture are not those that its record names, and were thrown "
                "away. Send it again from the start."
            )
            raise PictureRefusedError(message)
    return PictureStanding(files.held_bytes(digest, device.id), files.is_whole(digest))


def find_standing(store: UnitStore, device: Device, record: str, digest: str) -> PictureStanding:
    """Return how much of a picture is held; raises as `receive_piece` does."""
    named = _find_named(store, device, record, digest)
    files = store.pictures
    held = files.held_bytes(digest, device.id)
    if held >= named.size and not files.is_whole(digest):
        # Cut off between the last piece and its check: the bytes come again.
        files.forget(digest, device.id)
        held = 0
    return PictureStanding(held, files.is_whole(digest))


def give_piece(store: UnitStore, device: Device, record: str, digest: str, offset: int) -> bytes:
    """Return a piece of a picture from an offset on.

    Raises
    ------
    NoSuchPictureError
        Its bytes have not come from the device that took it.
    NotAllowedError, UnnamedPictureError
        As `receive_piece`.
    """
    _find_named(store, device, record, digest)
    piece = store.pictures.read(digest, offset, MAX_PIECE_BYTES)
    if piece is None:
        message = (
            "This picture is on its way from the device that took it. Leave that device on and "
            "connected; the picture then comes by itself."
        )
        raise NoSuchPictureError(message)
    return piece


def _find_named(store: UnitStore, device: Device, record: str, digest: str) -> _Named:
    if _STREAM not in device.streams:
        message = f"A {device.role} device neither sends nor reads pictures. Use a bedside tablet."
        raise NotAllowedError(message)
    with store.transaction():
        state = store.views.state_of(record) if record.startswith(f"{_KIND}/") else None
    field = state.fields.get("file") if state else None
    for held in field.values if field else ():
        named = _read_named(held.value, digest)
        if named is not None:
            return named
    message = "No entry here names this picture. Send the entries first; its bytes go after them."
    raise UnnamedPictureError(message)


def _read_named(value: object, digest: str) -> _Named | None:
    """Return what a value of the field `file` says, None where it names another picture."""
    if not isinstance(value, dict) or value.get("sha256") != digest or not is_digest(digest):
        return None
    size, media_type = value.get("bytes"), value.get("media_type")
    if not isinstance(size, int) or isinstance(size, bool) or size < 1:
        return None
    return _Named(size, media_type) if isinstance(media_type, str) else None


def _refuse_unfit(named: _Named, offset: int, piece: bytes) -> None:
    if not piece:
        message = "This piece of the picture is empty. Send at least one byte."
        raise PictureRefusedError(message)
    if offset + len(piece) > named.size:
        message = (
            f"The picture has {named.size} bytes by its record, and this piece ends beyond them. "
            "Ask how much is held, then go on from there."
        )
        raise PictureRefusedError(message)
    if offset == 0 and media_type_of(piece) != named.media_type:
        message = (
            f"These bytes are no {named.media_type}, which the record names. Keep a JPEG or a PNG "
            "picture."
        )
        raise PictureRefusedError(message)
