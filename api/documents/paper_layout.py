"""Lays a paper out as a PDF: drawings, codes and pictures become SVG, all else is data."""

import base64
from collections.abc import Callable
from typing import Any

import msgspec

from api.documents.device_codes import draw_matrix, draw_qr
from api.documents.paper import Block, Drawing, Face, Paper, Picture
from api.documents.paper_words import PaperWords
from api.documents.printing import print_pdf
from api.documents.target_drawing import draw_target

# Bytes and media type of a picture, None where they are not held.
ReadPicture = Callable[[str], tuple[bytes, str, int, int] | None]


def print_paper(paper: Paper, words: PaperWords, *, on: str, read_picture: ReadPicture) -> bytes:
    """Return a paper as a PDF; the same bytes for the same paper and day.

    Parameters
    ----------
    on : str
        Civil date that the file says it was made on.

    Raises
    ------
    PrintingError
        The font lacks a letter, or a text does not fit into a code.
    """
    data = msgspec.to_builtins(paper)
    for part, held in zip(data["parts"], paper.parts, strict=True):
        part["blocks"] = [_lay(block, words, read_picture) for block in held.blocks]
    data["faces"] = [_lay_face(face, words) for face in paper.faces]
    data["picture_lacking"] = words.say("common.picture_lacking")
    return print_pdf("implant_card" if paper.faces else "paper", data, on=on, mark=paper.mark)


def _lay(block: Block, words: PaperWords, read_picture: ReadPicture) -> dict[str, Any]:
    laid: dict[str, Any] = msgspec.to_builtins(block)
    if isinstance(block, Drawing):
        laid["svg"] = draw_target(block.sketch, words)
    if isinstance(block, Picture):
        found = read_picture(block.sha256)
        laid["svg"] = _frame(*found) if found else ""
    return laid


def _lay_face(face: Face, words: PaperWords) -> dict[str, Any]:
    laid: dict[str, Any] = msgspec.to_builtins(face)
    laid["codes"] = [
        {"svg": draw(text), "words": words.say(name)}
        for text, draw, name in (
            (face.qr, draw_qr, "card.qr_words"),
            (face.matrix, draw_matrix, "card.matrix_words"),
        )
        if text
    ]
    return laid


def _frame(content: bytes, media_type: str, width: int, height: int) -> str:
    """Return a picture within an SVG: the layout reads text alone."""
    data = base64.b64encode(content).decode()
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
        f'width="{width}" height="{height}"><image width="{width}" height="{height}" '
        f'href="data:{media_type};base64,{data}"/></svg>'
    )
