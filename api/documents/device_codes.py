"""The codes on an implant card as drawings: QR of text, DataMatrix of a GS1 element string.

Modules are drawn as one path on whole units, so that a printer neither blurs nor joins them.
"""

import numpy as np
import segno
import zxingcpp

from api.documents.printing import PrintingError

_QUIET_QR = 4
_QUIET_MATRIX = 2


class CodeError(PrintingError):
    """A text does not fit into a code; the sentence says what to do."""


def draw_qr(text: str) -> str:
    """Return a QR code (ISO/IEC 18004, never a Micro QR code) as SVG, with its quiet zone.

    Raises
    ------
    CodeError
        The text is too long for one code.
    """
    try:
        found = segno.make_qr(text, error="m", encoding="utf-8", boost_error=False)
    except segno.DataOverflowError as error:
        message = "The text is too long for a code. Shorten names and addresses of the device."
        raise CodeError(message) from error
    rows = [[bool(dark) for dark in row] for row in found.matrix]
    return _draw(rows, _QUIET_QR)


def draw_gs1(elements: str) -> str:
    """Return a GS1 DataMatrix of an element string with AIs in brackets as SVG.

    Raises
    ------
    CodeError
        The element string is none.
    """
    try:
        made = zxingcpp.create_barcode(elements, zxingcpp.BarcodeFormat.DataMatrix, gs1=True)
        image = zxingcpp.write_barcode_to_image(made, scale=1, add_quiet_zones=False)
    except (RuntimeError, ValueError) as error:
        message = f"{elements} cannot be written as a GS1 code. Correct identifier, lot or serial."
        raise CodeError(message) from error
    pixels = np.asarray(image)
    rows = [[bool(pixel == 0) for pixel in row] for row in pixels]
    return _draw(rows, _QUIET_MATRIX)


def _draw(rows: list[list[bool]], quiet: int) -> str:
    """Return the dark modules as one path: a run of them in a row is one rectangle."""
    runs = []
    for y, row in enumerate(rows):
        x = 0
        while x < len(row):
            end = x
            while end < len(row) and row[end]:
                end += 1
            if end > x:
                runs.append(f"M{x + quiet} {y + quiet}h{end - x}v1h-{end - x}z")
            x = max(end, x + 1)
    width, height = len(rows[0]) + 2 * quiet, len(rows) + 2 * quiet
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
        f'width="{width}" height="{height}"><path d="{"".join(runs)}" fill="#000"/></svg>'
    )
