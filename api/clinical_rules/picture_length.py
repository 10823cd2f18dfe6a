"""Length of a line on a still picture, by a known distance on the same picture."""

from math import isqrt

from api.clinical_rules.errors import RuleFileError, ShapeError
from api.clinical_rules.rule_book import RuleBook, name_rule_files
from api.clinical_rules.rule_file import path_of
from api.clinical_rules.shapes import at_most, natural_number, shape
from api.clinical_rules.sizing_limits import LimitRow, Limits

READING = "pictures/reading"
# Beyond them a slip of the unit: no picture that is kept has such a side, no scanner such a depth.
_LARGEST_SIDE_PX = 20_000
_LARGEST_KNOWN_UM = 1_000_000
# Lengths in pixels are held in thousandths, rounded against us.
_PARTS_A_PX = 1000
_ROUNDING_UM = 1
# A size is entered in tenths of a millimetre; a length taken over is said no finer (PM8).
_FINEST_PLACE_UM = 100
# JCGM 100:2008 (GUM), 7.2.6: an uncertainty has at most two significant digits.
_DIGITS_OF_ERROR = 2


_side_px = at_most(_LARGEST_SIDE_PX, zero_advice="Correct it.")
_known_um = at_most(_LARGEST_KNOWN_UM, zero_advice="Correct it.")
_POINT = shape({"x": natural_number, "y": natural_number})
_REQUEST = shape(
    {
        "width_px": _side_px,
        "height_px": _side_px,
        "scale": shape({"from": _POINT, "to": _POINT, "known_um": _known_um}),
        "line": shape({"from": _POINT, "to": _POINT}),
    }
)
Point = dict[str, int]


def answer_picture_length(request: object, rule_book: RuleBook) -> dict[str, object]:
    """Return the length of a line on a picture, and how far it may be off.

    Parameters
    ----------
    request : object
        Parsed JSON: ``width_px`` and ``height_px`` of the picture, ``scale`` (``from``, ``to``,
        ``known_um``) and ``line`` (``from``, ``to``); points are whole pixels from the top left.
    rule_book : RuleBook
        Holds ``pictures/reading``.

    Returns
    -------
    dict
        ``length_um`` and ``error_um`` exact; ``said`` (``length_um``, ``error_um``,
        ``place_um``) as they are shown and recorded; ``basis``, ``inputs``, ``rule_files``.

    Raises
    ------
    ShapeError
        A key or type is wrong, a point lies outside the picture, the scale is too short, or the
        line has no length.
    RuleFileError
        The shortest scale is no longer than what two misread points make of it.

    Notes
    -----
    Rules PM1-PM4, PM8. Pure. Pixels are taken as square.
    """
    read = _REQUEST(request, "")
    file = rule_book.rule_file(READING, LimitRow)
    limits = Limits(file)
    scale, line = read["scale"], read["line"]
    for name, part in (("scale", scale), ("line", line)):
        for end in ("from", "to"):
            _refuse_outside(part[end], f"{name}.{end}", read["width_px"], read["height_px"])
    scale_square, line_square = _square_of(scale), _square_of(line)
    least_px, misread_px = limits["least_scale_px"], limits["misread_px"]
    if least_px <= 2 * misread_px:
        message = (
            f"Rule file {path_of(file)}: least_scale_px must be above twice misread_px. Correct it."
        )
        raise RuleFileError(message)
    if scale_square < least_px * least_px:
        message = (
            f"The scale spans less than {least_px} px, so one pixel misread weighs too much. Set "
            "its two points further apart."
        )
        raise ShapeError(message)
    if line_square == 0:
        message = "The line begins and ends at one point. Set its two points apart."
        raise ShapeError(message)
    length_um = _length_um(line_square, scale_square, scale["known_um"])
    most_um = _most_um(line_square, scale_square, scale["known_um"], misread_px)
    error_um = most_um - length_um + _ROUNDING_UM
    misread = next(row for row in file.rows if row.item == "misread_px")
    return {
        "length_um": length_um,
        "error_um": error_um,
        "said": _say(length_um, error_um),
        "basis": {
            "length_um": {
                "basis": "derived",
                "source": "known distance times pixels of the line through pixels of the scale",
            },
            "said": {
                "basis": "published",
                "source": "JCGM 100:2008 (GUM), 7.2.6; tenths of a millimetre: project default",
            },
            "error_um": {"basis": misread.basis, "source": misread.source},
        },
        "inputs": ["scale", "line"],
        "rule_files": name_rule_files(file),
    }


def _refuse_outside(point: Point, where: str, width_px: int, height_px: int) -> None:
    if point["x"] >= width_px or point["y"] >= height_px:
        message = f"{where} lies outside the picture of {width_px} x {height_px} px. Set it again."
        raise ShapeError(message)


def _square_of(part: dict[str, Point]) -> int:
    """Return the squared distance of two points, in square pixels."""
    across, down = (part["to"][axis] - part["from"][axis] for axis in ("x", "y"))
    return across * across + down * down


def _length_um(line_square: int, scale_square: int, known_um: int) -> int:
    """Return known distance times line through scale, a half rounded up (PM1).

    Twice the length is rounded down, which is exact in whole numbers; half of that plus one half,
    rounded down again, is the length rounded half up.
    """
    doubled = isqrt(4 * known_um * known_um * line_square // scale_square)
    return (doubled + 1) // 2


def _most_um(line_square: int, scale_square: int, known_um: int, misread_px: int) -> int:
    """Return the longest that the line can be with each of the four points misread (PM3)."""
    slip = 2 * misread_px * _PARTS_A_PX
    longest = isqrt(line_square * _PARTS_A_PX**2 - 1) + 1 + slip
    shortest = isqrt(scale_square * _PARTS_A_PX**2) - slip
    return -(-known_um * longest // shortest)


def _say(length_um: int, error_um: int) -> dict[str, int]:
    """Return length and error at the finest place that the error allows (PM8).

    What the rounding moves the length by is added to the error, which is rounded up: the exact
    interval lies within the one that is said.
    """
    place_um = _FINEST_PLACE_UM
    while True:
        said_um = (2 * length_um + place_um) // (2 * place_um) * place_um
        off_um = -(-(error_um + abs(said_um - length_um)) // place_um) * place_um
        if off_um < 10**_DIGITS_OF_ERROR * place_um:
            return {"length_um": said_um, "error_um": off_um, "place_um": place_um}
        place_um *= 10
