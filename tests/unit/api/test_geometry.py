"""Geometry against floating-point pi and against units of pint."""

import math
import random

import pint

from api.clinical_rules.geometry import (
    divide_half_up,
    ellipsoid_ul,
    leaves_tip_ul,
    lumen_ul,
    packing_per_mille,
)

UNITS = pint.UnitRegistry()
# 355/113 is too large by 8.5e-8 of itself; a whole microlitre is off by a half at most.
PI_ERROR = 8.5e-8


def test_a_lumen_is_a_cylinder():
    """[GE1] [GE2] Against pi of the math library with units of pint; derived.

    Caught a planted bug: the radius taken for the diameter.
    """
    for seed in range(500):
        chance = random.Random(seed)
        inner_um, length_um = chance.randrange(100, 2000), chance.randrange(1, 3_000_000)
        inner, length = inner_um * UNITS.micrometer, length_um * UNITS.micrometer
        exact = (math.pi * (inner / 2) ** 2 * length).to("microliter").magnitude
        assert abs(lumen_ul(inner_um, length_um) - exact) <= 0.5 + exact * PI_ERROR


def test_a_varix_is_an_ellipsoid():
    """[GE1] [GE3] Against pi of the math library with units of pint; derived."""
    for seed in range(500):
        chance = random.Random(seed)
        axes_um = [chance.randrange(1, 60_000) for _ in range(3)]
        a, b, c = (axis * UNITS.micrometer / 2 for axis in axes_um)
        exact = (4 / 3 * math.pi * a * b * c).to("microliter").magnitude
        assert abs(ellipsoid_ul(*axes_um) - exact) <= 0.5 + exact * PI_ERROR


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
    """[AD1] What left the tip and what the needle holds add up to what was given.

    Caught a planted bug: the flush left out of the sum.
    """
    for seed in range(2000):
        chance = random.Random(seed)
        given, flush, dead = (chance.randrange(0, 2000) for _ in range(3))
        delivered = leaves_tip_ul(given, flush, dead)
        pushed = given + flush
        held = sum(1 for place in (max(0, pushed - dead),) if place < given) and given - delivered
        assert 0 <= delivered <= given
        assert delivered + held == given
        assert leaves_tip_ul(given, dead, dead) == given, "a flush of the dead space delivers all"
        if pushed <= dead:
            assert delivered == 0
        if flush >= dead:
            assert delivered == given
        elif pushed > dead:
            assert delivered == given - (dead - flush)


def test_half_goes_up():
    assert [divide_half_up(dividend, 4) for dividend in (1, 2, 3, 5, 6)] == [0, 1, 1, 1, 2]
