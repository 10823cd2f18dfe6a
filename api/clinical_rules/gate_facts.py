"""The facts that gates look at: their keys and types."""

from collections.abc import Mapping
from typing import Any

from api.clinical_rules.errors import ShapeError
from api.clinical_rules.shapes import (
    Reader,
    civil_date,
    flag,
    list_of,
    one_of,
    shape,
    text,
    whole_number,
)

# Beyond it a slip of the unit; every sum and product of the conditions stays exact in both engines.
MOST = 10**12

Facts = Mapping[str, Any]


def _within_bound(content: object, where: str) -> int:
    amount = whole_number(content, where)
    if not -MOST <= amount <= MOST:
        message = f"{where} must lie within -{MOST} and {MOST}. Correct it."
        raise ShapeError(message)
    return amount


def _amount(content: object, where: str) -> int:
    amount = _within_bound(content, where)
    if amount < 0:
        message = f"{where} must not be negative. Correct it."
        raise ShapeError(message)
    return amount


_names: Reader[list[str]] = list_of(text)
_QUANTITY: dict[str, Reader[Any]] = {"name": text, "unit": text, "milli": _amount}
_STOCK_ITEM = shape({"stock": text, "name": text})

READ_FACTS = shape(
    {},
    {
        "identity_matches": flag,
        "missing_inputs": _names,
        "plan_standing": one_of("none", "in-use", "out-of-date"),
        "plan_changes": _names,
        "pure_ul_given": _amount,
        "pure_ul_next": _amount,
        "stop_um": _amount,
        "measured_distance_um": _amount,
        "conflicts": _names,
        "protocol_standing": one_of("signed", "unsigned", "expired", "draft"),
        "counts": list_of(
            shape(
                {
                    "item": one_of("coil", "needle", "adhesive"),
                    "opened": _amount,
                    "recorded": _amount,
                }
            )
        ),
        "follow_up_planned": flag,
        "blood_return": shape({"seen": flag, "wants_adhesive": flag}),
        "values_outside_band": list_of(
            shape({**_QUANTITY, "least_milli": _amount, "most_milli": _amount})
        ),
        "tenfold_values": list_of(shape({**_QUANTITY, "last_milli": _amount})),
        "estimated_inputs": _names,
        "unticked": _names,
        "coil_differs": shape({"planned_loop_um": _amount, "chosen_loop_um": _amount}),
        "elapsed_ms": _amount,
        "planned_ms": _amount,
        "unsent_count": _amount,
        "oldest_unsent_ms": _amount,
        "clock_offset_ms": _within_bound,
        "storage_persistent": flag,
        "battery_per_cent": _amount,
        "charging": flag,
        "similar_names": _names,
        "device_expires_on": civil_date,
        "today_on": civil_date,
        "lots_missing": _names,
        "device_recalls": list_of(shape({"name": text, "reason": text})),
        "serial_opened_before": text,
        "lot_known_as": shape(
            {"lot": text, "chosen": _STOCK_ITEM, "items": list_of(_STOCK_ITEM)},
        ),
        "lot_count": shape({"lot": text, "delivered": _amount, "opened": _amount}),
        "already_raised": _names,
    },
)
