"""Lengths on a picture: exact, the same from every side, and honest about their error."""

from fractions import Fraction
from math import sqrt

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from api.clinical_rules.errors import RuleFileError, ShapeError
from api.clinical_rules.picture_length import answer_picture_length
from api.clinical_rules.rule_book import RuleBook
from api.storage.packaged_files import read_packaged_rule_files
from tests.unit.api.twin_engine import assert_engines_agree, packaged_rule_book, seeded

BOOK = packaged_rule_book()
SIDE = 2560
points = st.tuples(st.integers(0, 900), st.integers(0, 900))
lines = st.tuples(points, points).filter(lambda ends: ends[0] != ends[1])
scales = st.tuples(points, points).filter(lambda ends: _square(ends) >= 2500)
known = st.integers(1, 200_000)


def _square(ends):
    (x, y), (u, v) = ends
    return (x - u) ** 2 + (y - v) ** 2


def _ends(ends):
    return {name: {"x": x, "y": y} for name, (x, y) in zip(("from", "to"), ends, strict=True)}


def _measure(scale, known_um, line, side=SIDE):
    request = {
        "width_px": side,
        "height_px": side,
        "scale": {**_ends(scale), "known_um": known_um},
        "line": _ends(line),
    }
    answer = answer_picture_length(request, BOOK)
    return answer["length_um"], answer["error_um"]


@given(scales, known, lines)
def test_a_length_is_the_nearest_whole_micrometre(scale, known_um, line):
    """[PM1] Against fractions: no length is further off than a half, and a half went up.

    Planted bug that this caught: the root of the rounded quotient instead of the doubled one.
    """
    length, _ = _measure(scale, known_um, line)
    square = Fraction(known_um**2 * _square(line), _square(scale))

    assert Fraction(2 * length - 1, 2) ** 2 <= square or length == 0
    assert square < Fraction(2 * length + 1, 2) ** 2


@given(scales, known, lines, st.integers(0, 600), st.integers(0, 600))
def test_swapping_moving_and_turning_the_points_changes_nothing(scale, known_um, line, right, down):
    """[PM5] Planted bug that this caught: a line drawn from right to left measured otherwise."""
    measured = _measure(scale, known_um, line)

    def moved(ends):
        return tuple((x + right, y + down) for x, y in ends)

    def turned(ends):
        return tuple((900 - y, x) for x, y in ends)

    assert _measure(scale[::-1], known_um, line[::-1]) == measured
    assert _measure(moved(scale), known_um, moved(line)) == measured
    assert _measure(turned(scale), known_um, turned(line)) == measured


@given(scales, known, lines, st.fractions(Fraction(1, 2), Fraction(5, 2)))
def test_another_size_of_the_picture_moves_the_length_by_at_most_the_error(
    scale, known_um, line, factor
):
    """[PM3] [PM5] Points go to the nearest pixel of the picture in its other size.

    Planted bug that this caught: an error that forgets the two points of the scale.
    """

    def sized(ends):
        return tuple((round(x * factor), round(y * factor)) for x, y in ends)

    assume(_square(sized(scale)) >= 2500 and _square(sized(line)) > 0)
    length, error = _measure(scale, known_um, line)
    other, other_error = _measure(sized(scale), known_um, sized(line))

    assert abs(length - other) <= max(error, other_error)


@given(scales, known, lines, st.lists(st.sampled_from([-1, 0, 1]), min_size=4, max_size=4))
def test_one_pixel_misread_at_every_point_stays_within_the_error(scale, known_um, line, slips):
    """[PM3] Planted bug that this caught: one pixel for a line in place of one at each end."""

    length, error = _measure(scale, known_um, line)
    # Along the line, where a slip counts in full.
    read = max(sqrt(_square(line)) + slips[0] + slips[1], 0)
    scale_read = sqrt(_square(scale)) + slips[2] + slips[3]

    assert abs(known_um * read / scale_read - length) <= error + 1e-6


@given(scales, known, lines)
def test_what_is_said_holds_the_exact_interval_in_two_digits(scale, known_um, line):
    """[PM8] Planted bug that this caught: the error rounded without what rounding moved."""
    request = {
        "width_px": SIDE,
        "height_px": SIDE,
        "scale": {**_ends(scale), "known_um": known_um},
        "line": _ends(line),
    }
    answer = answer_picture_length(request, BOOK)
    length, error = answer["length_um"], answer["error_um"]
    said = answer["said"]
    place = said["place_um"]

    assert said["length_um"] % place == said["error_um"] % place == 0
    assert abs(said["length_um"] - length) * 2 <= place
    assert said["length_um"] - said["error_um"] <= length - error
    assert length + error <= said["length_um"] + said["error_um"]
    assert said["error_um"] < 100 * place
    # One place finer would not do: by 0.1 mm a size is entered, or the error needs three digits.
    finer = place // 10
    off = abs((2 * length + finer) // (2 * finer) * finer - length)
    assert place == 100 or error + off > 99 * finer


@pytest.mark.parametrize("far", [49, 50, 51])
def test_a_scale_below_fifty_pixels_is_refused(far):
    """[PM2]"""
    if far < 50:
        with pytest.raises(ShapeError, match="further apart"):
            _measure(((0, 0), (far, 0)), 10_000, ((0, 0), (9, 0)))
    else:
        assert _measure(((0, 0), (far, 0)), 10_000, ((0, 0), (far, 0)))[0] == 10_000


def test_a_scale_that_its_own_misreading_could_eat_up_is_a_fault_of_the_file():
    """[PM3] The error would divide by nothing."""
    contents = read_packaged_rule_files()
    path = "pictures/reading.v1.json"
    changed = contents[path].replace(b'"amount": 1,', b'"amount": 25,')
    assert changed != contents[path]
    book = RuleBook({**contents, path: changed}, on="2026-06-01")
    request = {
        "width_px": 800,
        "height_px": 600,
        "scale": {**_ends(((0, 0), (50, 0))), "known_um": 10_000},
        "line": _ends(((0, 0), (9, 0))),
    }

    with pytest.raises(RuleFileError, match="above twice misread_px"):
        answer_picture_length(request, book)


def _draw(seed):
    draw = seeded(seed)
    ends = [
        _ends(tuple((draw.randrange(SIDE), draw.randrange(SIDE)) for _ in range(2)))
        for _ in range(2)
    ]
    return {
        "width_px": SIDE,
        "height_px": SIDE,
        "scale": {**ends[0], "known_um": draw.randrange(1, 300_000)},
        "line": ends[1],
    }


def test_both_engines_write_the_same_answer():
    """[PM1] [PM2] [PM3] [PM4] Planted bug that this caught: the twin's root one too large."""
    assert_engines_agree("picture-length", [_draw(seed) for seed in range(2000)])
