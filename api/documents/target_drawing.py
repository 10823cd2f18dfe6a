"""A target as SVG, to one scale, from its numbers alone. Pure. Rules DR.

The needle runs from left to right, the short axis lies along it and the long axis across, as on
the tablet. Every length of micrometres is one of the drawing; only the width of lines is not.
"""

import html
import math
from collections.abc import Sequence
from typing import Any

from api.documents.paper_words import PaperWords, mm

_FONT_SHARE = 0.1
_LETTER_WIDTH = 0.62
_COIL_STEP_SHARE = 0.28
_SCALE_BARS_UM = (100_000, 50_000, 20_000, 10_000, 5_000, 2_000, 1_000)
_MEASURED = ("measured", "measured-on-image")
_SMALLEST_UM = 1_000


class _Sheet:
    """What is drawn so far, and the room that it takes."""

    def __init__(self, font_um: int) -> None:
        self.font = font_um
        self.drawn: list[str] = []
        self.left = self.top = self.right = self.bottom = 0.0

    def take_room(self, left: float, top: float, right: float, bottom: float) -> None:
        self.left, self.top = min(self.left, left), min(self.top, top)
        self.right, self.bottom = max(self.right, right), max(self.bottom, bottom)

    def ellipse(self, cx: float, rx: float, cy: float, ry: float, look: str) -> None:
        self.take_room(cx - rx, cy - ry, cx + rx, cy + ry)
        self.drawn.append(
            f'<ellipse cx="{_n(cx)}" cy="{_n(cy)}" rx="{_n(rx)}" ry="{_n(ry)}" {look}/>'
        )

    def line(self, x1: float, y1: float, x2: float, y2: float, look: str) -> None:
        self.take_room(min(x1, x2), min(y1, y2), max(x1, x2), max(y1, y2))
        self.drawn.append(f'<line x1="{_n(x1)}" y1="{_n(y1)}" x2="{_n(x2)}" y2="{_n(y2)}" {look}/>')

    def write(self, x: float, y: float, text: str) -> None:
        wide = len(text) * _LETTER_WIDTH * self.font
        self.take_room(x, y - self.font, x + wide, y + self.font * 0.3)
        self.drawn.append(
            f'<text x="{_n(x)}" y="{_n(y)}" font-family="Noto Sans" '
            f'font-size="{self.font}">{html.escape(text)}</text>'
        )

    def stroke(self, share: float, dashes: Sequence[float] = (), colour: str = "#000") -> str:
        dash = " ".join(_n(one * self.font) for one in dashes)
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        return f'fill="none" stroke="{colour}" stroke-width="{_n(self.font * share)}"{dashed}'

    def finish(self) -> str:
        pad = self.font
        width = self.right - self.left + 2 * pad
        height = self.bottom - self.top + 2 * pad
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{_n(self.left - pad)} '
            f'{_n(self.top - pad)} {_n(width)} {_n(height)}" width="{_n(width)}" '
            f'height="{_n(height)}">{"".join(self.drawn)}</svg>'
        )


def draw_target(sketch: dict[str, Any], words: PaperWords) -> str:
    """Return the drawing of a sketch of `target_report.sketch_target` as SVG."""
    short, long = sketch["short_um"], sketch["long_um"]
    loops = [*sketch["placed_loops_um"], *sketch["planned_loops_um"]]
    reach = [sketch[f"{one}_um"] for one in ("near", "middle", "far", "planned_stop", "stop")]
    sizes = [one for one in (short, long, *loops, *reach, sketch["feeder_um"]) if one]
    sheet = _Sheet(max(round(max(sizes, default=_SMALLEST_UM) * _FONT_SHARE), 70))
    middle = _middle_of(sketch)
    _draw_needle(sheet, sketch)
    _draw_varix(sheet, sketch, middle)
    _draw_coils(sheet, sketch, middle)
    _write_lengths(sheet, sketch, words)
    return sheet.finish()


def _middle_of(sketch: dict[str, Any]) -> int:
    near: int | None = sketch["near_um"]
    far: int | None = sketch["far_um"]
    short: int | None = sketch["short_um"]
    if sketch["middle_um"] is not None:
        return int(sketch["middle_um"])
    if near is not None and far is not None:
        return round((near + far) / 2)
    if near is not None and short is not None:
        return near + round(short / 2)
    return far - round(short / 2) if far is not None and short is not None else 0


def _draw_varix(sheet: _Sheet, sketch: dict[str, Any], middle: int) -> None:
    """Draw an ellipse of both axes; of one alone a circle that is dashed, as an estimate is."""
    short, long = sketch["short_um"], sketch["long_um"]
    if not (short or long):
        return
    is_sure = bool(short and long) and sketch["origin"] in _MEASURED
    look = sheet.stroke(0.16, () if is_sure else (0.5, 0.35))
    sheet.ellipse(middle, (short or long) / 2, 0, (long or short) / 2, look)


def _draw_coils(sheet: _Sheet, sketch: dict[str, Any], middle: int) -> None:
    """Draw coils at their loop in a row across the needle; planned ones are dashed (DR6)."""
    placed, planned = sketch["placed_loops_um"], sketch["planned_loops_um"]
    coils = [(loop, True) for loop in placed] + [(loop, False) for loop in planned]
    largest = max((loop for loop, _ in coils if loop), default=0)
    side = sketch["long_um"] or sketch["short_um"] or largest
    step = max(1, min(largest * _COIL_STEP_SHARE, side / 2 / max(1, len(coils) - 1)))
    for place, (loop, is_placed) in enumerate(coils):
        y = (place - (len(coils) - 1) / 2) * step
        if not loop:
            half = sheet.font / 2
            sheet.line(middle - half, y - half, middle + half, y + half, sheet.stroke(0.1))
            sheet.line(middle - half, y + half, middle + half, y - half, sheet.stroke(0.1))
            continue
        look = sheet.stroke(0.12) if is_placed else sheet.stroke(0.1, (0.15, 0.25))
        sheet.ellipse(middle, loop / 2, y, loop / 2, look)
        if is_placed:
            sheet.ellipse(middle, sheet.font / 5, y, sheet.font / 5, 'fill="#000"')


def _draw_needle(sheet: _Sheet, sketch: dict[str, Any]) -> None:
    """Draw the needle to its stop, the walls, and the crus up to the near wall (DR10, DR15)."""
    font, half = sheet.font, max(sheet.font * 2, (sketch["long_um"] or 0) / 2)
    stop, planned = sketch["stop_um"], sketch["planned_stop_um"]
    crus, near = sketch["crus_um"], sketch["near_um"]
    if crus and near is not None and crus <= near and sketch["route"] != "transgastric":
        sheet.take_room(near - crus, -half, near, half)
        sheet.drawn.append(
            f'<rect x="{near - crus}" y="{_n(-half)}" width="{crus}" height="{_n(2 * half)}" '
            'fill="#ddd"/>'
        )
    for wall in (near, sketch["far_um"]):
        if wall:
            sheet.line(wall, -half, wall, half, sheet.stroke(0.08, (0.1, 0.2)))
    end = stop if stop is not None else planned
    if end:
        dashes = () if stop is not None else (0.3, 0.3)
        sheet.line(0, -font, 0, font, sheet.stroke(0.1))
        sheet.line(0, 0, end, 0, sheet.stroke(0.18, dashes))
        sheet.line(end, -font, end, font, sheet.stroke(0.25, dashes))


def _write_lengths(sheet: _Sheet, sketch: dict[str, Any], words: PaperWords) -> None:
    """Write each length with a line as long as it is, from the needle tip, then the scale bar."""
    font, left = sheet.font, sheet.left
    y = sheet.bottom + font * 1.6
    crus, near = sketch["crus_um"], sketch["near_um"]
    crus_from = near - crus if crus and near is not None and crus <= near else None
    rows = [
        ("short", sketch["short_um"], left),
        ("long", sketch["long_um"], left),
        ("crus", crus if crus_from is not None else None, crus_from or 0),
        ("near", near, 0),
        ("middle", sketch["middle_um"], 0),
        ("far", sketch["far_um"], 0),
        ("planned_stop", sketch["planned_stop_um"], 0),
        ("stop", sketch["stop_um"], 0),
        ("feeder", sketch["feeder_um"], left),
    ]
    for name, length, start in rows:
        if not length:
            continue
        sheet.write(left, y, words.say(f"report.{name}_label", length=mm(length)))
        _measure(sheet, start, length, y + font * 0.55)
        y += font * 2.1
    wide = sheet.right - left
    bar = next((um for um in _SCALE_BARS_UM if um <= wide / 2), _SMALLEST_UM)
    sheet.write(left, y, words.say("report.scale_label", length=mm(bar)))
    sheet.line(left, y + font * 0.6, left + bar, y + font * 0.6, sheet.stroke(0.3))


def _measure(sheet: _Sheet, start: float, length: float, y: float) -> None:
    tick = sheet.font / 4
    sheet.line(start, y, start + length, y, sheet.stroke(0.06, colour="#444"))
    for x in (start, start + length):
        sheet.line(x, y - tick, x, y + tick, sheet.stroke(0.06, colour="#444"))


def _n(number: float) -> str:
    """Return a length in whole micrometres, half away from the middle."""
    return str(math.floor(number + 0.5))
