"""The request of ``sizing``: its keys, types and bounds."""

from collections.abc import Sequence

from api.clinical_rules.errors import ShapeError
from api.clinical_rules.shapes import at_most, list_of, natural_number, one_of, shape, text

# The size of a thing.
_ABOVE_ZERO = "Correct it, or leave it out."
# Ten metres and ten litres: beyond them a slip of the unit, and every product stays exact.
_length_um = _amount_ul = at_most(10_000_000)
_size_um = _prime_ul = at_most(10_000_000, zero_advice=_ABOVE_ZERO)
_parts = at_most(1000)
_TARGET = shape(
    {"label": text, "short_axis_um": _length_um},
    {
        "long_axis_um": _length_um,
        "third_axis_um": _length_um,
        "measured_distance_um": _length_um,
        "near_wall_um": _length_um,
        "far_wall_um": _length_um,
        "origin": one_of("measured", "estimated", "earlier-record", "measured-on-image"),
    },
)
_NEEDLE = shape(
    {"gauge": natural_number},
    {
        "inner_diameter_um": _size_um,
        "length_um": _size_um,
        "prime_ul": _prime_ul,
        "stop_step_um": _length_um,
    },
)
_COIL = shape(
    {
        "id": text,
        "loop_um": _size_um,
        "wire_um": _size_um,
        "length_um": _size_um,
        "count": natural_number,
    }
)
_ADHESIVE = shape(
    {
        "agent": one_of("2-octyl-cyanoacrylate", "n-butyl-2-cyanoacrylate"),
        "parts_adhesive": _parts,
        "parts_oil": _parts,
    },
    {"planned_ul": _amount_ul},
)
READ_REQUEST = shape(
    {"targets": list_of(_TARGET)},
    {
        "needle": _NEEDLE,
        "coils_in_stock": list_of(_COIL),
        "adhesive": _ADHESIVE,
        "given_so_far_ul": _amount_ul,
        "shunt": one_of("none", "present", "unknown"),
        "right_to_left_shunt": one_of("no", "yes", "unknown"),
    },
)


def refuse_doubles(names: Sequence[str], key: str, part: str) -> None:
    """Refuse a name that stands twice in a list.

    Raises
    ------
    ShapeError
        Names the later entry.
    """
    for place, name in enumerate(names):
        if name in names[:place]:
            message = f"{key}[{place}].{part} stands twice: {name}. Give each its own."
            raise ShapeError(message)
