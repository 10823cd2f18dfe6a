"""The request of ``stock-counts``: its keys, types and bounds."""

from api.clinical_rules.errors import ShapeError
from api.clinical_rules.shapes import (
    civil_date,
    flag,
    list_of,
    natural_number,
    one_of,
    shape,
    text,
    whole_number,
)

# Beyond it a slip of the finger; any number of them still adds up exactly.
MOST_PACKAGES = 10_000
kind_of_item = one_of("coil", "needle", "adhesive")
_LABEL = {
    "identifier": text,
    "lot": text,
    "lot_unknown": flag,
    "serial": text,
    "expires_on": civil_date,
    "struck": flag,
}


def _read_change(content: object, where: str) -> int:
    """Return by how many packages a movement changes the shelf, either way."""
    change = whole_number(content, where)
    if abs(change) > MOST_PACKAGES:
        message = f"{where} must lie from -{MOST_PACKAGES} to {MOST_PACKAGES}. Correct it."
        raise ShapeError(message)
    return change


READ_STOCK = shape(
    {
        "today_on": civil_date,
        "items": list_of(
            shape(
                {"id": text, "item": kind_of_item},
                {"identifiers": list_of(text), "reorder_below": natural_number},
            )
        ),
        "movements": list_of(shape({"stock": text, "change": _read_change}, _LABEL)),
        "packages": list_of(
            shape(
                {
                    "id": text,
                    "stock": text,
                    "fate": one_of("open", "placed", "used", "discarded", "returned"),
                },
                _LABEL,
            )
        ),
    },
    {
        "recalls": list_of(
            shape(
                {},
                {
                    "item": kind_of_item,
                    "identifier": text,
                    "lots": list_of(text),
                    "expires_from": civil_date,
                    "expires_to": civil_date,
                },
            )
        )
    },
)
