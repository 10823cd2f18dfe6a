"""Geometry against floating-point pi of the math library, and adhesive as a column of drops."""

import math
import random

from api.clinical_rules.geometry import (
    divide_half_up,
    ellipsoid_ul,
    leaves_tip_ul,
    lumen_ul,
    packing_per_mille,
)

# 355/113 is too large by 8.5e-8 of itself; a whole microlitre is off by a half at most.
PI_ERROR = 8.5e-8


def test_a_lumen_is_a_cylinder():
    """[GE1] [GE2] Against pi of the math library; derived.

    Caught a planted bug: the radius taken for the diameter.
    """
    for seed in range(500):
        chance = random.Random(seed)
        inner_um, length_um = chance.randrange(100, 2000), chance.randrange(1, 3_000_000)
        radius_mm, length_mm = inner_um / 2000, length_um / 1000
        exact_ul = math.pi * radius_mm**2 * length_mm
        assert abs(lumen_ul(inner_um, length_um) - exact_ul) <= 0.5 + exact_ul * PI_ERROR


def test_a_varix_is_an_ellipsoid():
    """[GE1] [GE3] Against pi of the math library; derived."""
    for seed in range(500):
        chance = random.Random(seed)
        axes_um = [chance.randrange(1, 60_000) for _ in range(3)]
        exact_ul = 4 / 3 * math.pi * math.prod(axis / 2000 for axis in axes_um)
        assert abs(ellipsoid_ul(*axes_um) - exact_ul) <= 0.5 + exact_ul * PI_ERROR


def test_packing_is_metal_through_varix():
    """[GE4] Against cylinder and ellipsoid in floating point; derived."""
    for seed in range(500):
        chance = random.Random(seed)
        coils = [
            (chance.choice([457, 533, 889]), chance.randrange(20_000, 300_000))
            for _ in range(chance.randrange(1, 5))
        ]
        axes = tuple(chance.randrange(5000, 40_000) for _ in range(3))
        metal = sum(math.pi / 4 * wire**2 * length for wire, length in coils)
        exact = 1000 * metal / (math.pi / 6 * math.prod(axes))
        assert abs(packing_per_mille(coils, (axes[0], axes[1], axes[2])) - exact) <= 0.5 + 1e-9


def test_adhesive_moves_as_a_plug():
    """[AD1] Against a needle filled drop by drop: what went in first comes out first; derived.

    Caught a planted bug: the flush left out of the sum.
    """
    for seed in range(2000):
        chance = random.Random(seed)
        given, flush, dead = (chance.randrange(0, 300) for _ in range(3))
        column = "s" * dead + "a" * given + "f" * flush
        out_of_tip = column[: given + flush]
        assert leaves_tip_ul(given, flush, dead) == out_of_tip.count("a")
        assert leaves_tip_ul(given, dead, dead) == given, "a flush of the dead space delivers all"


def test_half_goes_up():
    assert [divide_half_up(dividend, 4) for dividend in (1, 2, 3, 5, 6)] == [0, 1, 1, 1, 2]
