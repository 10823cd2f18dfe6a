"""Squeezed bodies come back letter for letter, and a changed piece never passes for another."""

import hashlib
import random
import zlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from api.storage.entry_rows import read_stamp_number, shorten_stamp
from api.storage.errors import StorageError
from api.storage.squeezed_bodies import (
    _DICTIONARIES,
    TEXTS_A_PIECE,
    DamagedBodiesError,
    cut_pieces,
    squeeze_bodies,
    unpack_bodies,
)
from sync.clock import Stamp
from sync.operation import MAX_AGAIN_BYTES, MAX_BODY_BYTES

# Letters of every length in UTF-8, but no halves of a pair, which no text of ours holds.
TEXTS = st.text(st.characters(exclude_categories=("Cs",)), max_size=60)


@settings(max_examples=300, deadline=None)
@given(st.lists(TEXTS, min_size=1, max_size=70))
def test_every_text_comes_back_in_its_place(texts):
    """[OP4] The planted bug it has caught: lengths counted in letters, not in bytes."""
    pieces = list(cut_pieces(texts))

    assert [text for piece in pieces for text in unpack_bodies(squeeze_bodies(piece))] == texts
    assert all(0 < len(piece) <= TEXTS_A_PIECE for piece in pieces)


@pytest.mark.parametrize(("count", "pieces"), [(31, [31]), (32, [32]), (33, [32, 1]), (0, [])])
def test_a_piece_holds_thirty_two_texts_at_most(count, pieces):
    assert [len(piece) for piece in cut_pieces(["{}"] * count)] == pieces


def test_the_longest_bodies_fit_behind_a_piece_that_is_almost_full():
    """[OP7] [OP8] The planted bug it has caught: a bound without room for the last text."""
    longest = "x" * (MAX_BODY_BYTES + MAX_AGAIN_BYTES)
    piece = ["y" * 16_383, longest]

    assert list(cut_pieces([*piece, "z"])) == [piece, ["z"]]
    assert unpack_bodies(squeeze_bodies(piece)) == piece


# What one piece held at most while pieces were cut by letters: 16,383 of four bytes each, and one
# more text of the longest.
WIDEST = ["\U0001f600" * 8_191, "\U0001f600" * 8_192, "y" * (MAX_BODY_BYTES + MAX_AGAIN_BYTES)]


def test_a_piece_that_was_cut_by_letters_is_read_whatever_their_width():
    """[OP7] [OP8] The planted bug it has caught: a bound of bytes for pieces cut by letters."""
    assert sum(map(len, WIDEST[:2])) == 16_383

    assert unpack_bodies(squeeze_bodies(WIDEST)) == WIDEST


def test_a_piece_is_cut_by_bytes():
    """[OP7] The planted bug it has caught: letters counted, so that wide ones made large pieces."""
    wide = ["\u8a9e" * 5_300] * 5

    assert [len(piece) for piece in cut_pieces(wide)] == [2, 2, 1]
    assert [len(piece) for piece in cut_pieces(WIDEST)] == [1, 1, 1]


def test_what_unpacks_to_more_than_a_piece_holds_is_refused():
    """The planted bug it has caught: no bound, so that a changed file fills the memory."""
    with pytest.raises(DamagedBodiesError, match="Restore it from a backup"):
        unpack_bodies(squeeze_bodies(["x" * 200_000]))


def _bodies(count):
    return [
        f'{{"salt":"{number:032x}","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":2,'
        f'"set":{{"case":"case/c-{number}","stop_um":{number}000}}}}'
        for number in range(count)
    ]


def test_a_changed_piece_is_refused_or_holds_other_texts_or_the_same():
    """[OP5] Whatever is handed out is held against its hash; here nothing else may go wrong."""
    drawn = random.Random(7)
    piece = squeeze_bodies(_bodies(20))
    refused = 0
    for _ in range(2_000):
        place = drawn.randrange(len(piece))
        changed = bytearray(piece)
        changed[place] ^= drawn.randrange(1, 256)
        try:
            assert all(isinstance(text, str) for text in unpack_bodies(bytes(changed)))
        except StorageError:
            refused += 1
    assert refused > 1_000


def test_a_piece_cut_off_or_with_more_behind_it_is_refused():
    """The planted bugs it has caught: neither the end nor what follows it looked at."""
    piece = squeeze_bodies(_bodies(3))

    for cut in range(len(piece)):
        with pytest.raises(DamagedBodiesError):
            unpack_bodies(piece[:cut])
    with pytest.raises(DamagedBodiesError):
        unpack_bodies(piece + b"\0")


@pytest.mark.parametrize("content", [b"2\n{}x", b"3\n{}", b"\n", b"two\n{}", b"3,-1\n{}", b"-1\n"])
def test_lengths_that_do_not_fit_their_texts_are_refused(content):
    """The planted bug it has caught: texts cut by lengths below zero."""
    packer = zlib.compressobj(6, zlib.DEFLATED, -15, 8, 0, _DICTIONARIES[1])
    piece = b"\1" + packer.compress(content) + packer.flush()

    with pytest.raises(DamagedBodiesError):
        unpack_bodies(piece)


def test_the_dictionary_of_pieces_on_disk_never_changes():
    """[REL-11] The planted bug it has caught: a word added to the first dictionary."""
    digests = {
        number: hashlib.sha256(content).hexdigest()[:16]
        for number, content in _DICTIONARIES.items()
    }

    assert digests == {1: "6d3e8da0c0c82c36"}


@pytest.mark.parametrize(
    ("stamp", "device", "short"),
    [
        ("001790000000001.00007.tablet-a", "tablet-a", 179_000_000_000_100_007),
        ("000000000000000.00000.tablet-a", "tablet-a", 0),
        # The largest number that SQLite keeps is 2^63 - 1.
        ("092233720368547.75806.tablet-a", "tablet-a", 2**63 - 2),
        ("092233720368547.75807.tablet-a", "tablet-a", 2**63 - 1),
        ("092233720368547.75808.tablet-a", "tablet-a", "092233720368547.75808.tablet-a"),
        ("999999999999999.99999.tablet-a", "tablet-a", "999999999999999.99999.tablet-a"),
        ("001790000000001.00007.tablet-a", "tablet-b", "001790000000001.00007.tablet-a"),
    ],
)
def test_a_stamp_is_a_number_where_it_fits_and_bears_the_device_of_its_log(stamp, device, short):
    """[HC1]."""
    assert shorten_stamp(stamp, device) == short


@given(st.integers(0, 10**15 - 1), st.integers(0, 99_999))
def test_a_stamp_comes_back_as_it_was_written(wall_ms, counter):
    """[HC1]."""
    stamp = str(Stamp(wall_ms, counter, "tablet-a"))

    short = shorten_stamp(stamp, "tablet-a")

    assert (read_stamp_number(short, "tablet-a") if isinstance(short, int) else short) == stamp
