"""The request of ``sizing``: its keys, types and bounds."""

from collections.abc import Sequence

from api.clinical_rules.errors import ShapeError
from api.clinical_rules.shapes import Reader, list_of, natural_number, one_of, shape, text


def _at_most(most: int, *, is_size: bool = False) -> Reader[int]:
    """Return a reader of a number up to a bound; the size of a thing is above 0 as well."""

    def read(content: object, where: str) -> int:
        amount = natural_number(content, where)
        if is_size and amount == 0:
            message = f"{where} must be above 0. Correct it, or leave it out."
            raise ShapeError(message)
        if amount > most:
            message = f"{where} must be at most {most}. Correct it."
            raise ShapeError(message)
        return amount

    return read


# Ten metres and ten litres: beyond them a slip of the unit, and every product stays exact.
_length_um = _amount_ul = _at_most(10_000_000)
_size_um = _prime_ul = _at_most(10_000_000, is_size=True)
_parts = _at_most(1000)
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
