"""Draws the pictures of the stories: an invented varix between invented depth marks.

``python -m tests.scenarios.draw_pictures`` writes each as ``pictures/<its SHA-256>.png`` and prints
what a story has to say of it. No picture of a person went into them: an ellipse, grain from a
counter, and a mark every 10 mm at 8 px a millimetre.
"""

import hashlib
import struct
import zlib
from pathlib import Path

PICTURES = Path(__file__).resolve().parents[2] / "seed_scenarios/pictures"
WIDTH, HEIGHT, PX_A_MM = 640, 480, 8
MARK_X, MARK_EVERY_MM, GRAIN_PX = 20, 10, 4
# Story 04: walls 11 and 36 mm deep on the way of the needle, 26 by 30 mm across, 38 mm along.
ACROSS = {"middle_mm": (40, 24), "half_mm": (15, 13)}
ALONG = {"middle_mm": (40, 24), "half_mm": (19, 13)}


def draw_varix(middle_mm: tuple[int, int], half_mm: tuple[int, int]) -> list[bytes]:
    """Return rows of grey: a dark ellipse with a bright wall in grainy tissue, marks at the left.

    Parameters
    ----------
    middle_mm, half_mm : tuple of int
        Middle of the ellipse from the top left, and half of its width and height.
    """
    grain, rows, grains = 7, [], [0] * (WIDTH // GRAIN_PX)
    middle = [one * PX_A_MM for one in middle_mm]
    half = [one * PX_A_MM for one in half_mm]
    for y in range(HEIGHT):
        row = bytearray()
        if y % GRAIN_PX == 0:
            for place in range(len(grains)):
                grain = (grain * 1_664_525 + 1_013_904_223) % 2**32
                grains[place] = grain >> 29
        for x in range(WIDTH):
            # How far out a pixel lies, 1000 at the wall; in whole numbers, the same everywhere.
            out = (1000 * (x - middle[0]) ** 2) // half[0] ** 2
            out += (1000 * (y - middle[1]) ** 2) // half[1] ** 2
            light = 12 if out < 1000 else 150 if out < 1080 else 70
            row.append(light + grains[x // GRAIN_PX] * (1 if out < 1000 else 6))
        rows.append(bytes(row))
    for depth_mm in range(0, HEIGHT // PX_A_MM, MARK_EVERY_MM):
        y = depth_mm * PX_A_MM
        marked = bytearray(rows[y])
        marked[MARK_X - 12 : MARK_X + 13] = bytes([255]) * 25
        rows[y] = bytes(marked)
    return rows


def write_png(rows: list[bytes]) -> bytes:
    """Return rows of grey bytes as a PNG (ISO/IEC 15948), without any text in it."""

    def chunk(kind: bytes, content: bytes) -> bytes:
        body = kind + content
        return struct.pack(">I", len(content)) + body + struct.pack(">I", zlib.crc32(body))

    header = struct.pack(">IIBBBBB", len(rows[0]), len(rows), 8, 0, 0, 0, 0)
    pixels = zlib.compress(b"".join(b"\0" + row for row in rows), 9)
    start = b"\x89PNG\r\n\x1a\n"
    return start + chunk(b"IHDR", header) + chunk(b"IDAT", pixels) + chunk(b"IEND", b"")


def main() -> None:
    """Write the pictures and print their hashes and sizes."""
    PICTURES.mkdir(exist_ok=True)
    for name, shape in (("across", ACROSS), ("along", ALONG)):
        content = write_png(draw_varix(**shape))
        digest = hashlib.sha256(content).hexdigest()
        (PICTURES / f"{digest}.png").write_bytes(content)
        print(name, digest, len(content))


if __name__ == "__main__":
    main()
