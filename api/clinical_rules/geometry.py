"""Needle, coil and varix as cylinders and ellipsoids, in whole numbers.

Pi is taken as 355/113, which is too large by 8.5e-8: less than one microlitre in ten litres.
Both engines therefore give the same whole number for the same input (GE1).
"""

_PI = (355, 113)
_UM3_PER_UL = 10**9
# Of each number that is a sum of ours, in the words that an answer gives for it.
BASIS = {
    "dead_space_ul": ("derived", "pi/4 d^2 L"),
    "volume_ul": ("published", "V = 4pi/3 (A/2)(B/2)(C/2), volume embolisation ratio literature"),
    "packing_per_mille_from_to": ("derived", "metal through volume of the varix"),
    "leaves_tip_before_flush_ul": ("derived", "clamp(V + flush - dead space, 0, V), mass balance"),
    "mix_ul": ("derived", "adhesive (pure) times all parts through the adhesive's parts"),
}


def divide_half_up(dividend: int, divisor: int) -> int:
    """Return the quotient of two whole numbers, none negative, a half rounded up."""
    return (2 * dividend + divisor) // (2 * divisor)


def lumen_ul(inner_diameter_um: int, length_um: int) -> int:
    """Return what a needle's lumen holds, in microlitres: pi/4 d^2 L (GE2)."""
    return divide_half_up(_PI[0] * inner_diameter_um**2 * length_um, _PI[1] * 4 * _UM3_PER_UL)


def ellipsoid_ul(first_um: int, second_um: int, third_um: int) -> int:
    """Return the ellipsoid of three diameters, in microlitres: pi/6 ABC (GE3).

    References
    ----------
    V = 4pi/3 (A/2)(B/2)(C/2), as in the volume embolisation ratio literature.
    """
    return divide_half_up(_PI[0] * first_um * second_um * third_um, _PI[1] * 6 * _UM3_PER_UL)


def packing_per_mille(coils: list[tuple[int, int]], axes_um: tuple[int, int, int]) -> int:
    """Return metal per volume in thousandths; coils are (wire_um, length_um) (GE4).

    Pi cancels: 1000 * (sum w^2 L / 4) / (ABC / 6).
    """
    metal = sum(wire_um**2 * length_um for wire_um, length_um in coils)
    return divide_half_up(6000 * metal, 4 * axes_um[0] * axes_um[1] * axes_um[2])


def leaves_tip_ul(given_ul: int, flush_ul: int, dead_space_ul: int) -> int:
    """Return how much adhesive has left the tip: clamp(V + flush - dead space, 0, V) (AD1)."""
    return min(max(given_ul + flush_ul - dead_space_ul, 0), given_ul)
