"""What a paper is made of, before anybody lays it out: headings, pairs, tables, drawings, lines.

The server lays it out as a PDF, the tablet as a page to print. Twin of `state/papers/paper.ts`.
"""

from typing import Any, Literal, get_args

import msgspec

PaperKind = Literal[
    "procedure-report", "referral-letter", "patient-leaflet", "implant-card", "lay-out-list"
]
PAPER_KINDS: tuple[PaperKind, ...] = get_args(PaperKind)


class _Block(msgspec.Struct, frozen=True, tag_field="kind", tag=str.lower):
    """Part of a page; `kind` says which."""


class Pairs(_Block, frozen=True):
    """A label and what stands by it, row by row."""

    rows: list[tuple[str, str]]


class Table(_Block, frozen=True):
    """Rows under a head; `right` names the columns whose numbers are set to the right."""

    head: list[str]
    rows: list[list[str]]
    right: list[int]


class Lines(_Block, frozen=True):
    """Paragraphs."""

    lines: list[str]


class Points(_Block, frozen=True):
    """A list of points."""

    lines: list[str]


class Blanks(_Block, frozen=True):
    """Lines to be filled by hand, each with its label."""

    labels: list[str]


class Drawing(_Block, frozen=True):
    """A target to scale; lengths in micrometres. `words` say the same for who cannot see it."""

    words: str
    sketch: dict[str, Any]


class Picture(_Block, frozen=True):
    """A still picture by the hash of its bytes."""

    sha256: str
    words: str


Block = Pairs | Table | Lines | Points | Blanks | Drawing | Picture


class Part(msgspec.Struct, frozen=True):
    """A heading and what stands under it."""

    heading: str
    blocks: list[Block]


class Face(msgspec.Struct, frozen=True):
    """One side of a card: a heading, pairs and sentences, and the codes to be read from it.

    Parameters
    ----------
    qr, matrix : str
        What the codes say; "" for no code. `matrix` is GS1 with AIs in square brackets, or HIBC.
    """

    heading: str
    pairs: list[tuple[str, str]]
    lines: list[str]
    qr: str
    matrix: str


class Paper(msgspec.Struct, frozen=True, kw_only=True):
    """One paper about one case.

    Parameters
    ----------
    language : str
        What it is written in, which is English where the language asked for is not held.
    is_draft : bool
        Nobody has reviewed the sentences of that language.
    recipient : list of str or None
        Lines of an address; empty for lines to fill by hand, None where nobody is written to.
    faces : list of Face
        Sides of cards, for a paper that is cut into cards.
    foot : list of str
        What stands at the foot of every page.
    mark : str
        What marks every page of a unit in training, "" for none (HAZ-52).
    """

    paper: PaperKind
    language: str
    is_draft: bool
    title: str
    sender: list[str]
    recipient: list[str] | None
    dated: str
    head: list[tuple[str, str]]
    parts: list[Part]
    faces: list[Face]
    foot: list[str]
    mark: str = ""
