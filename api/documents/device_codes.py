"""The codes on an implant card as drawings: QR of text, DataMatrix of GS1 or HIBC.

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


def draw_matrix(code: str) -> str:
    """Return a square DataMatrix of what a device is identified by as SVG.

    Parameters
    ----------
    code : str
        GS1 elements with AIs in square brackets, or HIBC.

    Raises
    ------
    CodeError
        It is neither, or does not fit into a code.
    """
    is_gs1 = code.startswith("[")
    try:
        # Square: not every scanner reads the long rectangles of a later extension.
        made = zxingcpp.create_barcode(
            code, zxingcpp.BarcodeFormat.DataMatrix, gs1=is_gs1, force_square=True
        )
        image = zxingcpp.write_barcode_to_image(made, scale=1, add_quiet_zones=False)
    except (RuntimeError, ValueError) as error:
        message = f"{code} cannot be written as a code. Correct identifier, lot or serial."
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
