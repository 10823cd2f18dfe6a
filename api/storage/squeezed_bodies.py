"""Squeezed bodies: the texts of up to 32 operations as one small piece, exactly as they were.

A piece is one byte, the number of the dictionary, and a raw deflate stream that begins with that
dictionary. It holds the lengths in bytes, a line end, and the texts one after the other.
"""

import zlib
from collections.abc import Iterable, Iterator

from api.storage.errors import DiskTroubleError

TEXTS_A_PIECE = 32
# Larger pieces squeeze little better, and reading one text unpacks its whole piece.
_BYTES_A_PIECE = 16 * 1024
# What a piece may unpack to, so that a damaged file cannot fill the memory: a full piece, one more
# text of the longest that is taken in (OP7, OP8), and the lengths. Four times a piece, since the
# first pieces on disk were cut by letters, of which one takes up to four bytes.
_MOST_BYTES = 4 * _BYTES_A_PIECE + 65_536 + 96 + 1_024

# Texts as tablets write them, the commonest last. FROZEN: pieces on disk need these very bytes; a
# better dictionary gets the next number.
_DICTIONARIES = {
    1: (
        b'"because":"","again":".1#","retract":["over":{"stage":["plan":{"request":{"targets":['
        b'"answer":{"rule_files":[{"name":"sizing/","version":1,"sha256":"},"family_name":"'
        b'","given_name":"","born_on":"19","sex":"female","local_id":"","phone":"","identity":"'
        b'confirmed","analyte":"","result":{"value_milli":0,"unit":"","origin":"measured"},'
        b'"patient":"patient/","stage":"workup","opened_at":"2026-11-25T09:11:00+00:00",'
        b'"procedure_on":"2026-11-25","indication":"","past_bleeds":1,"ascites":"none",'
        b'"encephalopathy":"none","dialysis":false,"label":"Varix A","order":1,"size":{'
        b'"short_axis_um":14000,"long_axis_um":22000,"origin":"measured"},"stage":"in-procedure"'
        b'"window":{"earliest_on":"2027-","target_on":"2027-","latest_on":"2027-"},"status":"'
        b'to-book","booking":{"session":"","on":"2027-"},"owner_role":"","target":"target/",'
        b'"slot":1,"coil":{"loop_um":18000,"wire":"035"},"device":{"identifier":"","lot":"",'
        b'"lot_unknown":false,"serial":"","expires_on":"2028-01-31"},"amount":{"amount_ul":1000},'
        b'"elapsed_ms":30000,"round":{"target":null,"puncture":null,"coil":null,"aliquot":null},'
        b'"outcome":"done","at":"2026-11-25T09:36:00+00:00"}}","by":"staff/","tapped_by":"staff/'
        b'","catalogue":2,"set":{"case":"case/","step":"{"salt":"'
    ),
}
_NEWEST = max(_DICTIONARIES)
_RAW_DEFLATE = -15
# Copied for each piece: taking the dictionary in costs more than a copy.
_PACKER = zlib.compressobj(3, zlib.DEFLATED, _RAW_DEFLATE, 8, 0, _DICTIONARIES[_NEWEST])


class DamagedBodiesError(DiskTroubleError):
    """A piece is not one that was squeezed here."""


def cut_pieces(texts: Iterable[str]) -> Iterator[list[str]]:
    """Yield texts in pieces, in order, each as many as one piece holds."""
    piece: list[str] = []
    size = 0
    for text in texts:
        piece.append(text)
        size += len(text.encode())
        if len(piece) == TEXTS_A_PIECE or size >= _BYTES_A_PIECE:
            yield piece
            piece, size = [], 0
    if piece:
        yield piece


def squeeze_bodies(texts: list[str]) -> bytes:
    """Return the piece that holds the texts."""
    contents = [text.encode() for text in texts]
    lengths = ",".join([str(len(content)) for content in contents])
    packer = _PACKER.copy()
    packed = packer.compress(b"".join((lengths.encode(), b"\n", *contents)))
    return b"".join((bytes((_NEWEST,)), packed, packer.flush()))


def unpack_bodies(piece: bytes) -> list[str]:
    """Return the texts that a piece holds.

    Raises
    ------
    DamagedBodiesError
        The piece was changed or cut off.
    """
    try:
        unpacker = zlib.decompressobj(_RAW_DEFLATE, _DICTIONARIES[piece[0]])
        content = unpacker.decompress(piece[1:], _MOST_BYTES)
        if not unpacker.eof or unpacker.unused_data:
            raise _damaged("it does not end where it should")
        line, _, rest = content.partition(b"\n")
        texts, start = [], 0
        for length in map(int, line.split(b",")):
            if length < 0:
                raise _damaged("a length is below zero")
            texts.append(rest[start : start + length].decode())
            start += length
    except (zlib.error, LookupError, ValueError, TypeError) as error:
        raise _damaged(str(error)) from error
    if start != len(rest):
        raise _damaged("its lengths are not those of its texts")
    return texts


def _damaged(why: str) -> DamagedBodiesError:
    return DamagedBodiesError(
        f"The store of the unit server holds texts that cannot be unpacked ({why}). Restore it "
        "from a backup; tablets send the rest again."
    )
