"""The colours of `theme.css`, by computation: contrast, and difference in every colour vision."""

from itertools import combinations
from pathlib import Path

import pytest

from tests.safety.colour_difference import (
    VISIONS,
    ciede2000,
    contrast,
    difference,
    luminance,
    read_colours,
)

THEME = Path(__file__).resolve().parents[2] / "pwa/src/theme.css"
CSS = THEME.read_text(encoding="utf-8")
NIGHT = read_colours(CSS, ":root")
DAY = NIGHT | read_colours(CSS, ':root[data-theme="day"]')
PALETTES = {
    "night": NIGHT,
    "night training": NIGHT | read_colours(CSS, ':root[data-mode="training"]'),
    "day": DAY,
    "day training": DAY | read_colours(CSS, ':root[data-mode="training"][data-theme="day"]'),
}
GROUNDS = ("bg", "panel", "raised")
STATUSES = ("danger", "caution", "notice", "done")
# Project default: below ten a glance may take one for the other; words and shapes still tell.
LEAST_DIFFERENCE = 10

# Sharma, Wu and Dalal 2005, Color Res Appl 30:21, table 1: pairs that break wrong programs.
PAIRS = [
    ((50, 2.6772, -79.7751), (50, 0, -82.7485), 2.0425),
    ((50, 3.1571, -77.2803), (50, 0, -82.7485), 2.8615),
    ((50, 2.8361, -74.0200), (50, 0, -82.7485), 3.4412),
    ((50, -1.3802, -84.2814), (50, 0, -82.7485), 1.0000),
    ((50, -1.1848, -84.8006), (50, 0, -82.7485), 1.0000),
    ((50, -0.9009, -85.5211), (50, 0, -82.7485), 1.0000),
    ((50, 0, 0), (50, -1, 2), 2.3669),
    ((50, -1, 2), (50, 0, 0), 2.3669),
    ((50, 2.4900, -0.0010), (50, -2.4900, 0.0009), 7.1792),
    ((50, 2.4900, -0.0010), (50, -2.4900, 0.0010), 7.1792),
    ((50, 2.4900, -0.0010), (50, -2.4900, 0.0011), 7.2195),
    ((50, 2.4900, -0.0010), (50, -2.4900, 0.0012), 7.2195),
    ((50, -0.0010, 2.4900), (50, 0.0009, -2.4900), 4.8045),
    ((50, -0.0010, 2.4900), (50, 0.0011, -2.4900), 4.7461),
    ((50, 2.5, 0), (50, 0, -2.5), 4.3065),
    ((50, 2.5, 0), (73, 25, -18), 27.1492),
    ((50, 2.5, 0), (61, -5, 29), 22.8977),
    ((50, 2.5, 0), (56, -27, -3), 31.9030),
    ((50, 2.5, 0), (58, 24, 15), 19.4535),
    ((50, 2.5, 0), (50, 3.1736, 0.5854), 1.0000),
    ((50, 2.5, 0), (50, 3.2972, 0), 1.0000),
    ((50, 2.5, 0), (50, 1.8634, 0.5757), 1.0000),
    ((50, 2.5, 0), (50, 3.2592, 0.3350), 1.0000),
    ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
    ((63.0109, -31.0961, -5.8663), (62.8187, -29.7946, -4.0864), 1.2630),
    ((61.2901, 3.7196, -5.3901), (61.4292, 2.2480, -4.9620), 1.8731),
    ((35.0831, -44.1164, 3.7933), (35.0232, -40.0716, 1.5901), 1.8645),
    ((22.7233, 20.0904, -46.6940), (23.0331, 14.9730, -42.5619), 2.0373),
    ((36.4612, 47.8580, 18.3852), (36.2715, 50.5065, 21.2231), 1.4146),
    ((90.8027, -2.0831, 1.4410), (91.1528, -1.6435, 0.0447), 1.4441),
    ((90.9257, -0.5406, -0.9208), (88.6381, -0.8985, -0.7239), 1.5381),
    ((6.7747, -0.2908, -2.4247), (5.8714, -0.0985, -2.2286), 0.6377),
    ((2.0776, 0.0795, -1.1350), (0.9033, -0.0636, -0.5514), 0.9082),
]


@pytest.mark.parametrize(("one", "other", "wanted"), PAIRS)
def test_the_difference_is_that_of_the_published_pairs(one, other, wanted):
    """[UX-12] Both ways round, to the four decimals of the table.

    Planted bug that this caught: the mean of two hues taken the long way round.
    """
    assert ciede2000(one, other) == pytest.approx(wanted, abs=5e-5)
    assert ciede2000(other, one) == pytest.approx(wanted, abs=5e-5)


@pytest.mark.parametrize("vision", VISIONS)
def test_grey_stays_grey_in_every_vision(vision):
    """[UX-12] Each row of a matrix sums to one (Machado 2009)."""
    for row in VISIONS[vision]:
        assert sum(row) == pytest.approx(1, abs=2e-6)
    assert difference("#777777", "#777777", vision) == 0
    assert difference("#000000", "#ffffff", vision) == pytest.approx(100, abs=0.1)


@pytest.mark.parametrize("name", PALETTES)
def test_every_text_colour_has_a_contrast_of_seven_on_every_ground(name):
    """[UX-03] [UX-12] 7:1 for text, on page, panel and button, live and in training.

    Large digits take the colour of text: 10:1. Shown to fail: the danger fill as a text colour.
    """
    palette = PALETTES[name]
    low = [
        f"{ink} on {ground}: {contrast(palette[ink], palette[ground]):.2f}"
        for ink in ("text", "quiet", *STATUSES)
        for ground in GROUNDS
        if contrast(palette[ink], palette[ground]) < 7
    ]

    assert low == []
    assert all(contrast(palette["text"], palette[ground]) >= 10 for ground in GROUNDS)
    assert contrast(palette["primary-text"], palette["primary-fill"]) >= 7
    assert contrast("#ffffff", palette["danger-fill"]) >= 7
    if "night" in name:
        assert contrast(palette["danger-fill"], palette["bg"]) < 7


@pytest.mark.parametrize("name", PALETTES)
def test_every_border_can_be_told_from_the_ground_beside_it(name):
    """[UX-03] 3:1 for what is no text: borders of controls, on page, panel and button.

    It found the night's line at 2.25:1 on a button, which was then made lighter.
    """
    palette = PALETTES[name]
    low = [
        f"line on {ground}: {contrast(palette['line'], palette[ground]):.2f}"
        for ground in GROUNDS
        if contrast(palette["line"], palette[ground]) < 3
    ]

    assert low == []


@pytest.mark.parametrize("vision", VISIONS)
@pytest.mark.parametrize("name", ["night", "day"])
def test_no_two_statuses_look_alike_in_any_colour_vision(name, vision):
    """[UX-12] [UX-11] CIEDE2000 of at least 10 between danger, caution, notice and done.

    It found the day's caution and done 1.0 apart with protan vision, danger and caution 0.4 apart
    with deutan vision; the day's four were then chosen anew.
    """
    palette = PALETTES[name]
    near = [
        f"{one} and {other}: {apart:.1f}"
        for one, other in combinations(STATUSES, 2)
        if (apart := difference(palette[one], palette[other], vision)) < LEAST_DIFFERENCE
    ]

    assert near == []


def test_grounds_of_the_night_are_dark():
    """[UX-03] No ground is lighter than #2A3238; light fills are small (tests/browser)."""
    for name in ("night", "night training"):
        for ground in GROUNDS:
            assert luminance(PALETTES[name][ground]) <= luminance("#2A3238"), (name, ground)
