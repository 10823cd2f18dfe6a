"""Colours as numbers: contrast, how people with other colour vision see them, how far apart.

- contrast: WCAG 2.2, "relative luminance" and "contrast ratio"; sRGB of IEC 61966-2-1, D65.
- difference: CIEDE2000 after Sharma, Wu and Dalal 2005, Color Res Appl 30:21, kL = kC = kH = 1.
- vision: Machado, Oliveira and Fernandes 2009, IEEE TVCG 15:1291, matrices of severity 1.0, on
  linear light.
"""

import math
import re

Triple = tuple[float, float, float]

VISIONS: dict[str, tuple[Triple, Triple, Triple]] = {
    "normal": ((1, 0, 0), (0, 1, 0), (0, 0, 1)),
    "protan": (
        (0.152286, 1.052583, -0.204868),
        (0.114503, 0.786281, 0.099216),
        (-0.003882, -0.048116, 1.051998),
    ),
    "deutan": (
        (0.367322, 0.860646, -0.227968),
        (0.280085, 0.672501, 0.047413),
        (-0.011820, 0.042940, 0.968881),
    ),
    "tritan": (
        (1.255528, -0.076749, -0.178779),
        (-0.078411, 0.930809, 0.147602),
        (0.004733, 0.691367, 0.303900),
    ),
}
_TO_XYZ: tuple[Triple, Triple, Triple] = (
    (0.4124564, 0.3575761, 0.1804375),
    (0.2126729, 0.7151522, 0.0721750),
    (0.0193339, 0.1191920, 0.9503041),
)
_WHITE: Triple = (0.95047, 1.0, 1.08883)
_DIM = 0.04045
_CUBE_FROM, _CUBE_SLOPE = (6 / 29) ** 3, 3 * (6 / 29) ** 2
_POW7 = 25**7


def read_colours(css: str, selector: str) -> dict[str, str]:
    """Return the custom properties with a colour of one rule of a style sheet, by name."""
    found = re.search(re.escape(selector) + r"\s*\{(.*?)\}", css, re.DOTALL)
    if found is None:
        raise AssertionError(f"The style sheet has no rule {selector}.")
    return dict(re.findall(r"--([a-z-]+):\s*(#[0-9a-fA-F]{6})\s*;", found[1]))


def linear_light(colour: str) -> Triple:
    """Return red, green and blue of `#rrggbb` as shares of full light."""
    return tuple(  # type: ignore[return-value]
        share / 12.92 if share <= _DIM else ((share + 0.055) / 1.055) ** 2.4
        for share in (int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5))
    )


def luminance(colour: str) -> float:
    """Return the relative luminance, 0 for black and 1 for white."""
    red, green, blue = linear_light(colour)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours, 1 to 21."""
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def seen_as(colour: str, vision: str) -> Triple:
    """Return linear light as seen with full protan, deutan, tritan or normal vision."""
    light = linear_light(colour)
    seen = _through(VISIONS[vision], light)
    return tuple(min(1.0, max(0.0, part)) for part in seen)  # type: ignore[return-value]


def lab_of(light: Triple) -> Triple:
    """Return CIE L*a*b* (D65) of linear light."""
    x, y, z = (
        _cube_root(part / white)
        for part, white in zip(_through(_TO_XYZ, light), _WHITE, strict=True)
    )
    return 116 * y - 16, 500 * (x - y), 200 * (y - z)


def difference(one: str, other: str, vision: str = "normal") -> float:
    """Return how far apart two colours are for a vision, in units of CIEDE2000."""
    return ciede2000(lab_of(seen_as(one, vision)), lab_of(seen_as(other, vision)))


def ciede2000(one: Triple, other: Triple) -> float:
    """Return the CIEDE2000 difference of two colours in CIE L*a*b*."""
    (l1, a1, b1), (l2, a2, b2) = one, other
    mean_chroma = (math.hypot(a1, b1) + math.hypot(a2, b2)) / 2
    g = 0.5 * (1 - math.sqrt(mean_chroma**7 / (mean_chroma**7 + _POW7)))
    a1, a2 = a1 * (1 + g), a2 * (1 + g)
    c1, c2 = math.hypot(a1, b1), math.hypot(a2, b2)
    h1, h2 = _hue(a1, b1), _hue(a2, b2)
    apart = 0.0 if c1 * c2 == 0 else (h2 - h1 + 180) % 360 - 180
    d_hue = 2 * math.sqrt(c1 * c2) * math.sin(math.radians(apart) / 2)
    lightness, chroma = (l1 + l2) / 2, (c1 + c2) / 2
    hue = h1 + h2 if c1 * c2 == 0 else _mean_hue(h1, h2)
    t = (
        1
        - 0.17 * _cos(hue - 30)
        + 0.24 * _cos(2 * hue)
        + 0.32 * _cos(3 * hue + 6)
        - 0.20 * _cos(4 * hue - 63)
    )
    turn = 60 * math.exp(-(((hue - 275) / 25) ** 2))
    from_fifty = (lightness - 50) ** 2
    in_light = (l2 - l1) / (1 + 0.015 * from_fifty / math.sqrt(20 + from_fifty))
    in_chroma = (c2 - c1) / (1 + 0.045 * chroma)
    in_hue = d_hue / (1 + 0.015 * chroma * t)
    rotation = -math.sin(math.radians(turn)) * 2 * math.sqrt(chroma**7 / (chroma**7 + _POW7))
    return math.sqrt(in_light**2 + in_chroma**2 + in_hue**2 + rotation * in_chroma * in_hue)


def _through(matrix: tuple[Triple, Triple, Triple], light: Triple) -> Triple:
    return tuple(  # type: ignore[return-value]
        sum(factor * part for factor, part in zip(row, light, strict=True)) for row in matrix
    )


def _cube_root(share: float) -> float:
    return share ** (1 / 3) if share > _CUBE_FROM else share / _CUBE_SLOPE + 4 / 29


def _hue(a: float, b: float) -> float:
    return 0.0 if a == b == 0 else math.degrees(math.atan2(b, a)) % 360


def _mean_hue(one: float, other: float) -> float:
    half = 180
    if abs(one - other) <= half:
        return (one + other) / 2
    return (one + other + 2 * half) / 2 if one + other < 2 * half else (one + other) / 2 - half


def _cos(degrees: float) -> float:
    return math.cos(math.radians(degrees))
